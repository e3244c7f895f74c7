"""One photo becomes one row."""
