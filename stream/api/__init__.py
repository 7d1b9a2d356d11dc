"""What a person imports in a notebook; ``stream`` itself names all that is public."""
