"""Fixtures shared by all tests."""

from __future__ import annotations

from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def shared_dir() -> Path:
    """The folder of real traces and trees beside the checkout; tests that need it skip without it."""
    shared = REPO.parent / "shared"
    if not shared.is_dir():
        pytest.skip("the folder ../shared with real traces and trees is absent")
    return shared
