"""Odd files as loggers and spreadsheets leave them, with the records that must come out."""
