"""Logs that nobody described."""
