"""Arithmetic on arrays: cycle finding, loop sums, fits, robust statistics. No files, no config, no screen."""
