"""Compare all that is stored and logged with what was written, taken and signed."""
