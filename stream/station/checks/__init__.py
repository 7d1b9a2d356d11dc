"""What a station file must hold: its setup, sizes, sources, servers, and its TOML."""
