"""Load cycling: cycles, loops, trends."""
