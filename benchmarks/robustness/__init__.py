"""What changed files, kills and crowding do to a round."""
