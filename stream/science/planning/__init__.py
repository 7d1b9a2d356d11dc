"""When and in which order to sample by hand; what an edge proposes."""
