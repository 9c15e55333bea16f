"""Who is told what, once."""
