"""What everything that is printed stands on: millimetres, fonts, text that fits, a sheet."""
