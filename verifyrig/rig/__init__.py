"""One run: assembles sensors, load, guard and record, and takes a profile through its stages."""
