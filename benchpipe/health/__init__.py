"""Health of the rig: the machine as a run's logs and the store show it, not the specimen."""
