"""The page of a run and the board of a lab, as data."""
