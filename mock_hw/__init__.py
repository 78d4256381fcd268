"""Simulated hardware: a machine on a bench that appears through the same edges as a real one.

Nothing in here is measured on a real machine. It imports nothing from `verifyrig`.
"""
