"""Kinds of blocks: one folder a kind of test, and what several kinds share."""
