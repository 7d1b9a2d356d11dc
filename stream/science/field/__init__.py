"""Days, gaps, seasons and weights of positions; agreement of two ways of measuring."""
