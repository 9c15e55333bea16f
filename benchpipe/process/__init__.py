"""Samples → cycles, loops, holds, sweeps, trends."""
