"""Stance windows: short stretches with a person's weight on the joint."""
