"""lidstream: records of automatic soil chambers become greenhouse-gas fluxes."""

__version__ = "0.1.0"
