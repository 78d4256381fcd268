"""A disk of the bench computer that takes no batch of any twin for a while."""

from __future__ import annotations

import threading

import pytest

from verifyrig.record.twin import Twin

HANG_S = 60.0


class HangingDisk:
    """Hangs from its making on, until it is let go."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self._asked, self._let_go, check = threading.Event(), threading.Event(), Twin._check_place

        def slowly(twin: Twin) -> None:
            self._asked.set()
            assert self._let_go.wait(HANG_S)
            check(twin)

        monkeypatch.setattr(Twin, "_check_place", slowly)

    def wait_until_asked(self) -> None:
        """Return once a batch hangs."""
        assert self._asked.wait(HANG_S)

    def let_go(self) -> None:
        """Let it take what hangs, and all else."""
        self._let_go.set()
