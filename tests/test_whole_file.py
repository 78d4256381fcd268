"""A file is written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from verifyrig.files.atomic_write import write_whole


def test_a_file_is_replaced_with_all_of_its_text(tmp_path: Path) -> None:
    path = tmp_path / "new folder" / "bench.toml"
    write_whole(path, "a = 1\n" * 1000)
    write_whole(path, "name = 'Müller'\n")
    assert path.read_bytes() == "name = 'Müller'\n".encode()
    assert [file.name for file in path.parent.iterdir()] == ["bench.toml"]


def test_a_failure_leaves_the_old_file_and_nothing_beside_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "job.toml"
    write_whole(path, "old")

    def fail(_fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OSError, match="No space"):
        write_whole(path, "new")
    assert path.read_text() == "old" and [file.name for file in tmp_path.iterdir()] == ["job.toml"]


def test_text_that_no_encoding_holds_is_written_with_a_question_mark(tmp_path: Path) -> None:
    write_whole(tmp_path / "x", "odd \udce4 name")
    assert (tmp_path / "x").read_text() == "odd ? name"
