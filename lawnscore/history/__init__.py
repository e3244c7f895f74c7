"""What the tables mean: visits, changes, recovery, attention."""
