"""Rig logs → calibrated samples and rejects. One file per log format."""
