"""Pictures, in one style."""
