"""Programs that tests start heed the signals of a terminal, also where the tests were started in the background."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parent.parent
ASKED = "from signal import *; print([getsignal(number) is SIG_IGN for number in (SIGHUP, SIGINT, SIGQUIT)])"
IN_THE_BACKGROUND = f"""
import os, signal, subprocess, sys
for number in (signal.SIGHUP, signal.SIGINT, signal.SIGQUIT):
    signal.signal(number, signal.SIG_IGN)
if sys.argv[1:]:
    import tests.conftest
subprocess.run([sys.executable, "-c", {ASKED!r}], check=True)
for number in (signal.SIGHUP, signal.SIGINT, signal.SIGQUIT):
    os.kill(os.getpid(), number)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")
@pytest.mark.parametrize(("words", "ignored"), [([], "[True, True, True]"), (["heed"], "[False, False, False]")])
def test_a_child_heeds_what_the_tests_were_told_to_ignore(words: list[str], ignored: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", IN_THE_BACKGROUND, *words], cwd=REPO, capture_output=True, text=True, timeout=60
    )
    # The tests' own process goes on either way.
    assert (done.returncode, done.stdout.strip()) == (0, ignored), done.stderr
