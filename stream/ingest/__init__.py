"""Where bytes come from and how they become records of the journal."""
