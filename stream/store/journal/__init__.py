"""The records: blocks in the database, days in the archive, and what guards them."""
