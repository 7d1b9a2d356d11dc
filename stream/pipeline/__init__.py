"""Records to stored fluxes. Live, replay and reprocess run these same functions."""
