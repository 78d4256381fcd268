"""A card that the load cannot reach is known before the run, with the loader's own reason."""

from __future__ import annotations

import ctypes.util
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from verifyrig.commands.cli import run
from verifyrig.core.errors import LoadError
from verifyrig.loads.gpu.card import choose_card
from verifyrig.loads.gpu.reach import check_reachable
from verifyrig.loads.gpu.vulkan_loader import loader_reason, reason_of
from verifyrig.sensors.nvml import card_names

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the Vulkan loader of Linux")

# What a loader of 1.3.239 printed for a driver file that is not there, and for a driver whose library is not there.
NO_FILE = """ERROR:            loader_get_json: Failed to open JSON file /nonexistent.json
ERROR:            vkCreateInstance: Found no drivers!
"""
NO_LIBRARY = """ERROR:            /none/libfoo.so: cannot open shared object file: No such file or directory
ERROR:            loader_icd_scan: Failed loading library associated with ICD JSON /none/libfoo.so. Ignoring this JSON
ERROR:            vkCreateInstance: Found no drivers!
"""
# VkResult of the Vulkan specification.
INCOMPATIBLE_DRIVER = -9


@pytest.fixture
def no_loader(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A loader's library that is no library comes first on the path of the dynamic linker."""
    (tmp_path / "libvulkan.so.1").write_bytes(b"")
    monkeypatch.setenv("LD_LIBRARY_PATH", str(tmp_path))


@pytest.fixture
def no_driver(monkeypatch: pytest.MonkeyPatch) -> None:
    if ctypes.util.find_library("vulkan") is None:
        pytest.skip("no Vulkan loader is installed")
    monkeypatch.setenv("VK_DRIVER_FILES", "/nonexistent.json")
    monkeypatch.setenv("VK_ICD_FILENAMES", "/nonexistent.json")


@pytest.mark.parametrize(
    ("found", "complaints", "said"),
    [
        ({"library": "libvulkan.so.1: cannot open shared object file"}, "", "loader cannot be loaded (libvulkan.so.1"),
        ({"result": INCOMPATIBLE_DRIVER, "devices": 0}, NO_FILE, "Failed to open JSON file /nonexistent.json"),
        ({"result": INCOMPATIBLE_DRIVER, "devices": 0}, NO_LIBRARY, "/none/libfoo.so: cannot open shared object file"),
        ({"result": INCOMPATIBLE_DRIVER, "devices": 0}, "", "finds no driver (result -9)"),
        ({"result": 0, "devices": 0}, "", "the Vulkan driver shows no card"),
    ],
)
def test_the_loaders_own_words_are_the_reason(found: dict[str, object], complaints: str, said: str) -> None:
    assert said in reason_of(found, complaints)


def test_a_loader_that_shows_a_card_gives_no_reason() -> None:
    assert reason_of({"result": 0, "devices": 1}, "ERROR: something by the way") == ""


def test_without_a_loader_the_linkers_reason_is_told(no_loader: None) -> None:
    assert "the Vulkan loader cannot be loaded" in loader_reason() and "libvulkan.so.1" in loader_reason()


def test_without_a_driver_the_loaders_reason_is_told(no_driver: None) -> None:
    assert "finds no driver" in loader_reason() and "nonexistent.json" in loader_reason()


def test_the_reason_stands_in_place_of_the_bare_sentence() -> None:
    with pytest.raises(LoadError, match="the loader is gone"):
        choose_card([], "", lambda: "the loader is gone")
    with pytest.raises(LoadError, match="no graphics processor can be reached"):
        choose_card([], "", lambda: "")


def test_a_card_that_its_driver_shows_and_the_load_cannot_reach_is_named(no_loader: None) -> None:
    pytest.importorskip("wgpu", reason="the package wgpu (extra gpu) is not installed")
    with pytest.raises(LoadError) as caught:
        check_reachable("", ["Example Card"])
    assert caught.value.what.startswith("the driver's library shows Example Card, and the load cannot reach it: ")
    assert "the Vulkan loader cannot be loaded" in caught.value.what


@pytest.mark.parametrize("words", [[], ["--no-load"]])
def test_a_run_on_a_card_that_cannot_be_reached_ends_with_2_before_anything_is_measured(
    no_loader: None,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
) -> None:
    pytest.importorskip("wgpu", reason="the package wgpu (extra gpu) is not installed")
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    monkeypatch.setattr("verifyrig.sensors.nvml.card_names", lambda: ["Example Card"])
    file = tmp_path / "answers.toml"
    answers = {"by": "N.", "present": "N.", "leak": "no", "pack": "no", "burnt": "no", "ground": "yes"}
    lines = [f'{key} = "{value}"' for key, value in answers.items()]
    file.write_text("\n".join([*lines, "until = 2100-01-01T00:00:00"]))
    assert run(["run", "graphics", "--yes", "--attest", str(file), *words, "--bench", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert "Example Card" in said and "the Vulkan loader cannot be loaded" in said
    assert list(tmp_path.rglob("*.sqlite")) == []


class _NoAnswer(Exception):
    pass


def library(*names: str | bytes) -> Any:
    """The vendor's library as far as names go; an empty name is an error."""

    def name_of(handle: int) -> str | bytes:
        if not names[handle]:
            raise _NoAnswer
        return names[handle]

    return SimpleNamespace(
        NVMLError=_NoAnswer,
        nvmlDeviceGetCount=lambda: len(names),
        nvmlDeviceGetHandleByIndex=lambda index: index,
        nvmlDeviceGetName=name_of,
    )


def test_the_vendors_library_tells_its_cards() -> None:
    assert card_names(api=library("Example Card", b"Other Card")) == ["Example Card", "Other Card"]
    assert card_names(api=library("")) == [] == card_names(api=library())
