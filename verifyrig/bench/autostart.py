"""A build line without a keyboard: bare `verifyrig` starts the run that bench.toml names.

    [autostart]
    profile = "build"
    batch = "week 14"           # all but the profile may be left out
    unit = "unit-07"
    ambient = "22±1"
    attest = "attest.toml"      # a person's answers; without them a load above quarter-share pulses is refused
    wait_s = 10                 # on a terminal any key within this time opens the menu instead

It never answers for a person: the file of answers is one that somebody wrote.
"""

from __future__ import annotations

from verifyrig.bench.folder import Bench

__all__ = ["autostart_words", "wait_s_of"]

_DEFAULT_WAIT_S = 10.0
_OPTIONS = ("batch", "unit", "ambient", "attest")


def autostart_words(bench: Bench) -> list[str] | None:
    """Return the words of the run to start, or None where bench.toml asks for none.

    A relative path of a file of answers counts from the bench folder.
    """
    table = bench.config.get("autostart")
    if table is None:
        return None
    words = ["run", table["profile"], "--as", "build", "--by-itself"]
    for key in _OPTIONS:
        if key in table:
            words += [f"--{key}", str(bench.root / table[key]) if key == "attest" else table[key]]
    return words


def wait_s_of(bench: Bench) -> float:
    """Return how long a key is waited for before the run starts, s."""
    seconds: float = bench.config.get("autostart", {}).get("wait_s", _DEFAULT_WAIT_S)
    return seconds
