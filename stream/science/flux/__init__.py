"""From a slope to a flux: calibration, water vapour, headspace, soil, units."""
