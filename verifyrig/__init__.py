"""Bench stress-and-verify harness: measure, change one thing, measure again, sign off."""

__version__ = "0.1.0"
