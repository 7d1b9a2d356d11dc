"""Simulated stations with known true fluxes and injected faults, in a scenario of our own."""
