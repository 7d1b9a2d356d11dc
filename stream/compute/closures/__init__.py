"""One closure from its lid to its row: segments, points, conditions, fits, flags."""
