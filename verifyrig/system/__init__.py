"""What this computer says of itself: its identity, and its logs of past shutdowns."""
