"""Drift of a run: bins of time, events, phases, forecasts. Pure functions on arrays; nothing is read or stored here."""
