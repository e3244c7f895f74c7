"""How long it takes and how much memory: photos, reports, history, filing."""
