"""How right the numbers are, on rendered photos and on real ones."""
