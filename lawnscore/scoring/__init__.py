"""A round of photos -> tables, once per photo."""
