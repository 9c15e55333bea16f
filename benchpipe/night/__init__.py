"""All runs of a lab in one night: side by side, each by itself, and what is new since the last night."""
