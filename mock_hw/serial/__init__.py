"""Simulated serial instruments, and faults of their line."""
