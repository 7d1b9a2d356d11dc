"""What a time may look like: stamps, columns, the order of day and month, zones."""
