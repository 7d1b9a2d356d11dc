"""From chambers to plots and treatments, from days to a season."""
