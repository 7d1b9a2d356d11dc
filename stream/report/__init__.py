"""What leaves for people and programs: tables, files, pictures, the season, the summary."""
