"""What to do about it: feed, spread, spray, seed, plan, next visits."""
