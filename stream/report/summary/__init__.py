"""The morning summary of a day, as HTML, text and JSON."""
