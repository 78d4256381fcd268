"""A line that builds: orders, scanned units, holds, changed limits, and the trail that says who did what and why."""
