"""What the kernel said beside a run is on the medium within a second, and is asked after the machine's death."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import pytest

from tests.sensor_tree import lay
from verifyrig.commands import cli
from verifyrig.record.kernel_beside import entries_beside, kernel_log_beside, kernel_log_path
from verifyrig.system.history.kernel_log import KernelLine, kernel_entries
from verifyrig.system.history.words import meaning_of

# Linux, Documentation/ABI/testing/dev-kmsg: "level,number,microseconds,flags;text".
_MCE = "0,501,5000000,-;mce: [Hardware Error]: CPU 1: Machine Check: 0 Bank 4: b200000000070005\n"
_NEWS = "6,502,5100000,-;usb 1-1: new high-speed USB device number 2\n"
_FULL = "3,503,5200000,-;I/O error, dev nvme0n1, sector 2048 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 2\n"


def test_machine_checks_and_disk_errors_are_kept_beside_the_record_and_news_of_devices_are_not(tmp_path: Path) -> None:
    record, device = tmp_path / "r1.sqlite", tmp_path / "kmsg"
    os.mkfifo(device)
    with kernel_log_beside(record, device, boot_utc_s=lambda: 1.7e9):
        handle = os.open(device, os.O_WRONLY)
        os.write(handle, (_MCE + _NEWS + _FULL).encode())
        until_s = time.monotonic() + 60
        while not kernel_log_path(record).exists() and time.monotonic() < until_s:
            time.sleep(0.05)
        kept = kernel_log_path(record).read_text()  # while the run goes on: a cut now would lose nothing
        os.close(handle)
    assert "Bank 4" in kept and "usb 1-1" not in kept
    found = entries_beside(record)
    assert [(entry.id, entry.code) for entry in found] == [
        ("machine-check", "cpu=1 bank=4"),
        ("disk-error", "disk=nvme0n1 sector=2048"),
    ]
    assert found[0].utc_s == pytest.approx(1.7e9 + 5.0)
    assert "nvme0n1" in str(meaning_of(found[1]))


def test_a_disk_that_does_not_read_is_named() -> None:
    line = KernelLine(1.0, "blk_update_request: I/O error, dev sda, sector 42 op 0x0:(READ)")
    assert [entry.code for entry in kernel_entries([line])] == ["disk=sda sector=42"]


def test_the_history_of_another_systems_folder_is_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lay(tmp_path, {"var/log/kern.log": "2026-03-01T10:00:00+00:00 Kernel panic - not syncing: made up"})
    assert cli.run(["history", "--root", str(tmp_path), "--json"]) == 0
    assert [row["id"] for row in json.loads(capsys.readouterr().out)["history"]] == ["kernel-panic"]


def test_on_the_stick_its_own_start_is_not_told_as_the_machines(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lay(tmp_path, {"boot": "id=abc"})
    monkeypatch.setenv("VERIFYRIG_STICK", str(tmp_path))
    assert cli.run(["history", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert not any(row["id"] in ("boot", "end-orderly", "end-abrupt") for row in told["history"])
    assert "stick's own system" in told["notes"][0]
