"""Short stretches in which the joint is stood on."""
