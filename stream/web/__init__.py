"""The station page, for a browser."""
