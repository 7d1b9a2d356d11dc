"""A season of daily fluxes: what is known of the days that were not measured, and totals."""
