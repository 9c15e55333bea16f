"""Ordered work on chunks of a run, on one thread or several."""
