"""Is the rig well: what a run's logs and the store say of the machine, and not of the specimen."""
