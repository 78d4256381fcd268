"""Fixtures shared by all tests."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.heeded_signals import heed_signals

# Before numpy is loaded, as `verifyrig/__main__.py` does: a second thread of linear algebra waits for the first one's
# small matrices at full power, which doubled the processor time of whole files here.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# Before any test starts a program.
heed_signals()

REPO = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def shared_dir() -> Path:
    """The folder of real traces and trees beside the checkout; tests that need it skip without it."""
    shared = REPO.parent / "shared"
    if not shared.is_dir():
        pytest.skip("the folder ../shared with real traces and trees is absent")
    return shared


@pytest.fixture
def machine_for_itself() -> Iterator[None]:
    """Lets tests that put a real load on this machine wait for one another, in all processes: runs refuse a second."""
    fcntl = pytest.importorskip("fcntl", reason="a lock between processes")
    path = Path(tempfile.gettempdir()) / "verifyrig-tests.lock"
    fd = os.open(path, os.O_RDWR | (0 if path.exists() else os.O_CREAT), 0o666)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX)
        yield
    finally:
        os.close(fd)
