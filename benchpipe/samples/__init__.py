"""The one reader of samples: zeros, shifts, geometry, modes."""
