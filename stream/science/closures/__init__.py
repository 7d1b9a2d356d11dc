"""From lid states and ports to closures, windows and the readings that count."""
