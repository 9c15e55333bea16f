"""The record of a run: everything that the document shows and carries, as data."""
