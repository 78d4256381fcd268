"""The program on the bench stick's own system: its first screen, its first minutes, its data partition, its end."""
