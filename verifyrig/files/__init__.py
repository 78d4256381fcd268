"""Files as they are read and written whole: TOML, CSV, typed values, time zones."""
