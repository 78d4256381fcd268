"""How the user nobody runs this very code, for tests of rights."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

REPO = Path(__file__).resolve().parent.parent
HANG_S = 60.0


def python_for_nobody() -> list[str] | None:
    """Return how nobody can run this very code, None where the environment is closed to it."""
    if os.geteuid() != 0 or shutil.which("setpriv") is None:
        return None
    drop = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"]
    for python in (sys.executable, "/usr/bin/python3"):
        # Twice: a worker is a child of the child.
        check = "import subprocess, sys; subprocess.run([sys.executable, '-c', 'import numpy, verifyrig'], check=True)"
        words = [*drop, "env", f"PYTHONPATH={nobodys_path()}", python, "-c", check]
        if subprocess.run(words, capture_output=True, cwd="/", timeout=HANG_S).returncode == 0:
            return [*drop, "env", f"PYTHONPATH={nobodys_path()}", python]
    return None


def nobodys_path() -> str:
    import numpy

    return f"{REPO}:{Path(numpy.__file__).parent.parent}"
