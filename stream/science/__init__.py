"""Pure arithmetic: arrays in, arrays out. No files, no clock, no logging."""
