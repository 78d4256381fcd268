"""Keys that note a finding while a run lasts, one key each."""

# What is noticed while a run lasts is noted with one key; L, P and the space bar have their own meaning there.
RUN_KEYS = {
    "c": "radiator=cold",
    "h": "radiator=hot",
    "g": "noise=gurgle",
    "r": "noise=rattle",
    "s": "pump=silent",
}
