"""The sending side of a second computer: what a run sends to the bench computer, and how both know each other."""
