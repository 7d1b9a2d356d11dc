"""How a table is written: CSV, Parquet, NetCDF, and its descriptor."""
