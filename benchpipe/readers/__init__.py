"""Log formats: one file a format, each gives batches of rows."""
