"""What is wrong now, and how people are told."""
