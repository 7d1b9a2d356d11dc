"""Files of a folder, as they grow; files that are replayed."""
