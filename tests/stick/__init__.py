"""The bench stick in emulation: what drives a guest, and what is tried on it."""
