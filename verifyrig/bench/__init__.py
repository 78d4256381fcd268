"""The shop's folder: where it lies, its settings and its profiles."""
