"""Cutting a run into chunks, and running them in order or side by side."""
