"""Flags, their grades, and what is physically plausible."""
