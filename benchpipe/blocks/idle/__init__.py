"""Rows that are stored and not judged."""
