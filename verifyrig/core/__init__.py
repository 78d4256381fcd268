"""What everybody may name: channels, protocols, errors, time, profiles and traces as plain data."""
