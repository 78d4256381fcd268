"""Loads: what heats the machine under test, checks its own arithmetic, and never outlives its heartbeat."""
