"""Static load, hold, permanent set."""
