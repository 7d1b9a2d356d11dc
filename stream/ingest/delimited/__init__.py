"""Delimited text: a file's encoding and layout, its lines, blocks of them, their cells."""
