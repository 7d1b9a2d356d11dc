"""The morning summary: whether yesterday's data are good, and what to do today."""
