"""Lawns that never were: scenes with known truth, and the demo round."""
