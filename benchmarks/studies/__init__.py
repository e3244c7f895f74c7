"""One question each: what an interval, a flag, an error or a fit is worth."""
