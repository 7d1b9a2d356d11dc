"""The field log: how notes are written."""
