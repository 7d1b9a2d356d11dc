"""What leaves the station as files."""
