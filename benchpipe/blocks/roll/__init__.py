"""Passes of a slow roll: the rocker of a foot, curved to walk on and flat to stand on."""
