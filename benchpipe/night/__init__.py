"""All runs of a lab in one night: in parallel, independent of one another, and what is new since the last night."""
