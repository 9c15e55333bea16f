"""Inspect logs without a description: their dialect, channels, clock, and a draft of the rig file."""
