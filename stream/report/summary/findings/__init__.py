"""What days show that no closure does: likely causes, one finding each."""
