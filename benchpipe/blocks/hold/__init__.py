"""A held load: creep of the locked joint."""
