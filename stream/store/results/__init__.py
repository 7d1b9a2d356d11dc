"""Closures, fluxes and gaps: written by one, read by all."""
