"""Slow motion through the free range: resistance, range of motion."""
