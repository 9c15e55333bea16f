"""A held motion whose load relaxes."""
