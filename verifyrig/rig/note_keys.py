"""Keys of a run: those that note a finding, one key each, and what the others do at this moment."""

from __future__ import annotations

# What is noticed while a run lasts is noted with one key; L, P and the space bar have their own meaning there.
RUN_KEYS = {
    "c": "radiator=cold",
    "h": "radiator=hot",
    "g": "noise=gurgle",
    "r": "noise=rattle",
    "s": "pump=silent",
}


def keys_now(*, load_may_be_on: bool, mark: str, who_is_here: bool) -> tuple[tuple[str, str], ...]:
    """Return the keys that have an effect now, each with it; they fit on one line of 60 columns.

    Args:
        load_may_be_on: Whether a load is on, on its way, or still to come.
        mark: What L says of a load that a person runs, such as `load off`; empty where there is none.
        who_is_here: Whether the run asks who is present.
    """
    keys = (
        ("Space", "end load" if load_may_be_on else ""),
        ("L", mark),
        ("P", "present" if who_is_here else ""),
        ("Ctrl-C", "end run"),
    )
    return tuple((key, does) for key, does in keys if does)
