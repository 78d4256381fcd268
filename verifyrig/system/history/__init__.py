"""What the system itself remembers of its last shut-downs: of a log no more is kept than time, id and code."""
