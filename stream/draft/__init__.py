"""A station file drafted from some of the station's files, with its open questions."""
