"""Truth by eye: points drawn on the ground, read by a person, and what follows from them."""
