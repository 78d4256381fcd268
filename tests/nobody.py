"""How the user nobody runs this very code, for tests of rights.

The checkout may lie where only its owner may go (a private home, a folder of mode 0700): nobody then runs a copy of
the code that is being tested.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parent.parent
HANG_S = 60.0
# Where everybody may go; TMPDIR can be private too.
_OPEN = "/tmp"
_RUN = ("verifyrig", "mock_hw", "profiles", "reports")


def python_for_nobody() -> list[str]:
    """Return the words that start Python as nobody, with this code on its path; skip where none can be started.

    Give it a working directory that nobody may enter, such as `/`.
    """
    words = _words()
    if isinstance(words, str):
        pytest.skip(words)
    return words


@functools.cache
def _words() -> list[str] | str:
    if sys.platform == "win32" or os.geteuid() != 0:
        return "only root can become nobody"
    if shutil.which("setpriv") is None:
        return "setpriv is needed to become nobody"
    drop = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"]
    code = REPO if _reaches(drop, REPO / "verifyrig" / "__init__.py") else _copy_of_the_code()
    for python in (sys.executable, "/usr/bin/python3"):
        words = [*drop, "env", f"PYTHONPATH={code}:{_libraries()}", python]
        # Twice: a worker is a child of the child.
        check = "import subprocess, sys; subprocess.run([sys.executable, '-c', 'import numpy, verifyrig'], check=True)"
        if subprocess.run([*words, "-c", check], capture_output=True, cwd="/", timeout=HANG_S).returncode == 0:
            return words
    return f"nobody can start neither {sys.executable} nor /usr/bin/python3 with the libraries in {_libraries()}"


def _reaches(drop: list[str], file: Path) -> bool:
    return subprocess.run([*drop, "test", "-r", str(file)], cwd="/", timeout=HANG_S).returncode == 0


def _copy_of_the_code() -> Path:
    copy = Path(tempfile.mkdtemp(prefix="verifyrig-code-", dir=_OPEN))
    atexit.register(shutil.rmtree, copy, ignore_errors=True)
    for name in _RUN:
        shutil.copytree(REPO / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
    subprocess.run(["chmod", "-R", "u=rwX,go=rX", str(copy)], check=True, timeout=HANG_S)
    return copy


def _libraries() -> Path:
    import numpy

    return Path(numpy.__file__).parent.parent


@contextlib.contextmanager
def open_folder(*, owned_by_nobody: bool = False) -> Iterator[Path]:
    """Give a new folder that everybody may enter and read; those that pytest gives are their owner's alone."""
    with tempfile.TemporaryDirectory(prefix="verifyrig-open-", dir=_OPEN) as name:
        folder = Path(name)
        folder.chmod(0o755)
        if owned_by_nobody:
            os.chown(folder, 65534, 65534)
        yield folder
