"""Limits, decision rule, verdict."""
