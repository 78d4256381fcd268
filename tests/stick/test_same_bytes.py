"""The image built twice, in two folders that share nothing: same packages, wheels and commit, same bytes."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from tests.stick.image import CannotBuild, build_small

pytestmark = [pytest.mark.stick, pytest.mark.timeout(3600)]


def test_the_same_inputs_give_the_same_bytes(tmp_path: Path) -> None:
    digests = []
    for name in ("one", "other"):
        (tmp_path / name).mkdir()
        try:
            image = build_small(tmp_path / name)
        except CannotBuild as reason:
            pytest.skip(f"the image cannot be built here: {reason}")
        digests.append(hashlib.sha256(image.read_bytes()).hexdigest())
        image.unlink()
    assert digests[0] == digests[1]
