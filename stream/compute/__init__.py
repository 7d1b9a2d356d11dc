"""From the journal to results: live, replay and reprocess are the same code."""
