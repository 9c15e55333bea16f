"""Commands: read options, call, show, exit."""
