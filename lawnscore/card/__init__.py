"""The printed reference card: its design, drawing and reference colours."""
