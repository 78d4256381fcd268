"""The parts of `stick/build`, one idea each; nothing of them is in the image."""
