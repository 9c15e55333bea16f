"""Bumper sets: loops of measured settings → models, predictions between settings, and which two to try next."""
