"""What every room agrees on: words, measures, tables, reasons, settings, errors."""
