"""Rig logs → calibrated samples and rejects: which logs are new, their clocks, calibrations and zeros."""
