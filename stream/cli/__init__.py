"""The command line, a module a verb: its arguments beside what it does."""
