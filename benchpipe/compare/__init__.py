"""Variants compared over their specimens: the study file, readings of runs, design, statistics."""
