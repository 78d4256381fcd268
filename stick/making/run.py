"""Other programs, started so that what they print is seen only where they fail."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path


class BuildError(Exception):
    """Something is lacking that a person can mend; the sentence says what and how."""


class NotToBeHad(BuildError):
    """Packages or wheels cannot be fetched: nothing is wrong here, and another time or another mirror may help."""


def run(*words: str | Path, env: Mapping[str, str] | None = None, cwd: Path | None = None, stdin: str = "") -> str:
    """Run a program, and return what it printed.

    Raises:
        BuildError: It is not installed, or it failed; its last lines are in the sentence.
    """
    try:
        done = subprocess.run(
            [str(word) for word in words],
            env={**os.environ, **(env or {})},
            cwd=cwd,
            input=stdin,
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
        )
    except FileNotFoundError as error:
        raise BuildError(f"{words[0]} is not installed. On Debian: see the list in stick/build's help.") from error
    if done.returncode:
        tail = "\n".join((done.stdout + done.stderr).strip().splitlines()[-20:])
        raise BuildError(f"{words[0]} failed ({done.returncode}):\n{tail}")
    return done.stdout


def say(text: str) -> None:
    """Say how far the build is."""
    print(f"stick: {text}", file=sys.stderr, flush=True)
