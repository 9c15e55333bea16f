"""Storage of the tables: every change to them is all or nothing."""
