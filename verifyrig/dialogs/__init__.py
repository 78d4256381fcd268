"""Questions to a person at a terminal."""
