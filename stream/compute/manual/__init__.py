"""Closures sampled by hand, from tables of vials and runs."""
