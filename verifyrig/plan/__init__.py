"""A profile from its TOML text, checked."""
