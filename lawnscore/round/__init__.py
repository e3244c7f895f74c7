"""A folder of photos becomes tables."""
