"""What a system remembers of its shut-downs: every meaning comes from a document that is named, no text is kept."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from verifyrig.commands import cli
from verifyrig.core.errors import ImportFault
from verifyrig.system.history.entries import LogEntry
from verifyrig.system.history.journal import boots_of_text, lines_of_json, with_end
from verifyrig.system.history.kernel_log import KernelLine, kernel_entries, lines_of_kmsg, lines_of_text
from verifyrig.system.history.linux_files import edac_entries, pstore_entries
from verifyrig.system.history.memory import newest_first, read_log_file, remember
from verifyrig.system.history.words import Speaks, meaning_of, speaks_for


def one(text: str) -> LogEntry:
    (entry,) = kernel_entries([KernelLine(100.0, text)])
    return entry


# Kernel document "arch/x86/amd-debugging", table of the reset reason register: bit and meaning.
@pytest.mark.parametrize(
    ("value", "speaks", "word"),
    [
        ("00000001", Speaks.HEAT, "thermal pin"),
        ("00000002", Speaks.BUTTON, "4 seconds"),
        ("00000200", Speaks.HEAT, "thermal limit"),
        ("00010000", Speaks.BUTTON, "reset line"),
        ("00200000", Speaks.ORDERLY, "by the system itself"),
        ("02000000", Speaks.WATCHDOG, "watchdog"),
        ("08000000", Speaks.HARDWARE_ERROR, "uncorrected error"),
        # All ones: the register holds nothing (kernel commit that made the driver say nothing then).
        ("ffffffff", Speaks.NOTHING, "not kept"),
        ("00000000", Speaks.NOTHING, "no reason"),
        ("00000008", Speaks.NOTHING, "bit 3"),
    ],
)
def test_the_reset_reason_is_read_bit_by_bit(value: str, speaks: Speaks, word: str) -> None:
    entry = one(f"x86/amd: Previous system reset reason [0x{value}]: made up text that is not kept")
    assert entry.id == "reset-reason" and "made up" not in entry.code
    assert speaks_for(entry) is speaks and word in str(meaning_of(entry))


@pytest.mark.parametrize(
    ("text", "speaks"),
    [
        # Kernel document "driver-api/thermal/sysfs-api", "Critical Events".
        ("thermal thermal_zone0: acpitz: critical temperature reached, shutting down", Speaks.HEAT),
        ("thermal thermal_zone1: critical temperature reached (105 C), shutting down", Speaks.HEAT),
        ("reboot: HARDWARE PROTECTION shutdown (Temperature too high)", Speaks.HEAT),
        ("mce: [Hardware Error]: CPU 2: Machine Check: 0 Bank 5: bea0000000000108", Speaks.HARDWARE_ERROR),
        ("EDAC MC0: 1 UE memory read error on CPU_SrcID#0 (channel:1 slot:0)", Speaks.HARDWARE_ERROR),
        ("EDAC MC0: 3 CE memory read error on DIMM_A1", Speaks.NOTHING),
        ("Kernel panic - not syncing: Fatal exception in interrupt", Speaks.CRASH),
        ("watchdog: BUG: soft lockup - CPU#3 stuck for 22s! [worker:991]", Speaks.WATCHDOG),
        ("Out of memory: Killed process 4321 (someone-s-secret) total-vm:1kB", Speaks.KILLED),
        ("PM: suspend entry (deep)", Speaks.SLEEP),
        ("CPU1: Core temperature above threshold, cpu clock throttled (total events = 7)", Speaks.NOTHING),
    ],
)
def test_kernel_lines_speak_for_a_reason_and_leave_no_text_behind(text: str, speaks: Speaks) -> None:
    entry = one(text)
    assert speaks_for(entry) is speaks and str(meaning_of(entry))
    assert "secret" not in json.dumps(entry.as_json()) and len(entry.code) < 40


def test_other_lines_are_passed_over() -> None:
    lines = ["usb 1-1: new high-speed USB device", "temperature sensor found", "audit: name=critical", ""]
    assert list(kernel_entries(KernelLine(None, line) for line in lines)) == []


def test_the_times_of_saved_logs_and_of_the_kernels_own_buffer_are_understood() -> None:
    text = "[   12.500000] PM: suspend entry (deep)\n2026-03-01T14:05:00+00:00 box kernel: PM: suspend entry (deep)\n"
    stamps = [entry.utc_s for entry in kernel_entries(lines_of_text(text, boot_utc_s=1000.0))]
    assert stamps == [1012.5, datetime(2026, 3, 1, 14, 5, tzinfo=UTC).timestamp()]
    # Kernel document "ABI/testing/dev-kmsg": priority, sequence number, µs, flags.
    (entry,) = kernel_entries(lines_of_kmsg("6,339,5140900,-;PM: suspend entry (s2idle)\n SUBSYSTEM=x", 1000.0))
    assert entry.utc_s == pytest.approx(1005.1409)


JOURNAL_BOOTS = json.dumps(
    [
        {"index": -1, "boot_id": "a" * 32, "first_entry": 1_700_000_000_000_000, "last_entry": 1_700_003_600_000_000},
        {"index": 0, "boot_id": "b" * 32, "first_entry": 1_700_004_000_000_000, "last_entry": 1_700_005_000_000_000},
    ]
)
JOURNAL_BOOT_LINES = f"""\
 -1 {"a" * 32} Tue 2023-11-14 22:13:20 UTC—Tue 2023-11-14 23:13:20 UTC
  0 {"b" * 32} Tue 2023-11-14 23:20:00 UTC Tue 2023-11-14 23:36:40 UTC
"""


@pytest.mark.parametrize("text", [JOURNAL_BOOTS, JOURNAL_BOOT_LINES])
def test_both_forms_of_the_journals_list_of_boots_are_read(text: str) -> None:
    first, second = boots_of_text(text)
    assert (first.boot_id, first.first_utc_s, first.last_utc_s) == ("a" * 32, 1_700_000_000, 1_700_003_600)
    assert (second.first_utc_s, second.last_utc_s) == (1_700_004_000, 1_700_005_000)


def test_an_orderly_end_is_told_from_an_abrupt_one_by_the_last_lines() -> None:
    boot = boots_of_text(JOURNAL_BOOTS)[0]
    orderly = '{"MESSAGE": "Reached target System Power Off."}\n{"MESSAGE": "Journal stopped"}'
    abrupt = '{"MESSAGE": "usb 1-1: reset"}\nnot json\n{"MESSAGE": [80, 77, 255]}'
    asleep = '{"MESSAGE": "PM: suspend entry (deep)"}'
    assert with_end(boot, orderly).orderly is True
    assert with_end(boot, abrupt).orderly is False and with_end(boot, abrupt).asleep is False
    assert with_end(boot, asleep).asleep is True
    assert with_end(boot, "").orderly is None


def test_the_lines_of_the_journal_carry_their_time() -> None:
    (line,) = lines_of_json('{"__REALTIME_TIMESTAMP": "1700000000500000", "MESSAGE": "x"}')
    assert line == (1_700_000_000.5, "x")


def test_crash_records_and_memory_errors_are_found_below_a_root(tmp_path: Path) -> None:
    store = tmp_path / "var/lib/systemd/pstore/1700000000"
    store.mkdir(parents=True)
    for name in ("dmesg.txt", "dmesg-efi-170000000001001", "console.log"):
        (store / name).write_text("made-up text")
    controller = tmp_path / "sys/devices/system/edac/mc/mc0"
    controller.mkdir(parents=True)
    (controller / "ce_count").write_text("12\n")
    (controller / "ue_count").write_text("0\n")
    (crash,) = pstore_entries(tmp_path)
    assert speaks_for(crash) is Speaks.CRASH and crash.code == ""
    corrected, fatal = edac_entries(tmp_path)
    assert "12" in str(meaning_of(corrected)) and speaks_for(fatal) is Speaks.NOTHING
    (controller / "ue_count").write_text("1\n")
    assert speaks_for(list(edac_entries(tmp_path))[1]) is Speaks.HARDWARE_ERROR


def test_a_mounted_system_without_a_journal_is_read_from_its_saved_logs(tmp_path: Path) -> None:
    logs = tmp_path / "var/log"
    logs.mkdir(parents=True)
    (logs / "kern.log").write_text("2026-03-01T14:05:00+00:00 box kernel: thermal: critical temperature reached\n")
    memory = remember(tmp_path)
    assert [entry.id for entry in memory.entries] == ["critical-temperature"] and memory.notes


def event_xml(provider: str, number: int, data: str = "", time: str = "2026-03-01T14:05:00.1234567Z") -> str:
    return (
        "<Event xmlns='http://schemas.microsoft.com/win/2004/08/events/event'><System>"
        f"<Provider Name='{provider}'/><EventID>{number}</EventID><TimeCreated SystemTime='{time}'/>"
        f"<Computer>someone-s-pc</Computer></System><EventData>{data}</EventData></Event>"
    )


def data_41(bugcheck: str, button: str, asleep: str = "false") -> str:
    return (
        f"<Data Name='BugcheckCode'>{bugcheck}</Data><Data Name='SleepInProgress'>{asleep}</Data>"
        f"<Data Name='PowerButtonTimestamp'>{button}</Data>"
    )


KERNEL_POWER = "Microsoft-Windows-Kernel-Power"


# Microsoft, "Windows Kernel event ID 41": both codes zero: power; a code: crash; a time stamp: the button was held.
@pytest.mark.parametrize(
    ("data", "speaks", "word"),
    [
        (data_41("0", "0"), Speaks.POWER, "path of the power"),
        (data_41("159", "0"), Speaks.CRASH, "0x9F"),
        (data_41("0x9f", "0"), Speaks.CRASH, "0x9F"),
        (data_41("0", "133000000000000000"), Speaks.BUTTON, "button was held"),
        (data_41("0", "0", "true"), Speaks.SLEEP, "asleep"),
        ("", Speaks.NOTHING, "lacks the two codes"),
    ],
)
def test_event_41_is_told_apart_by_its_two_codes(tmp_path: Path, data: str, speaks: Speaks, word: str) -> None:
    file = tmp_path / "system.xml"
    file.write_text(event_xml(KERNEL_POWER, 41, data))
    (entry,) = read_log_file(file)
    assert speaks_for(entry) is speaks and word in str(meaning_of(entry))
    assert entry.utc_s == pytest.approx(datetime(2026, 3, 1, 14, 5, 0, 123456, tzinfo=UTC).timestamp())


def test_only_the_right_provider_counts_and_nothing_else_is_kept(tmp_path: Path) -> None:
    secret = "<Data Name='param1'>C:\\Users\\someone\\game.exe</Data>"
    events = [
        event_xml(KERNEL_POWER, 86),
        event_xml("EventLog", 6008),
        event_xml("User32", 1074, secret),
        event_xml("Microsoft-Windows-WHEA-Logger", 18),
        event_xml("Some-Other-Provider", 41, data_41("0", "0")),
        event_xml(KERNEL_POWER, 172),
    ]
    file = tmp_path / "system.xml"
    file.write_text("<Events>" + "".join(events) + "<Event><broken</Events>", encoding="utf-16")
    entries = read_log_file(file)
    assert {entry.id for entry in entries} == {"kernel-power-86", "eventlog-6008", "user32-1074", "whea-18"}
    kept = json.dumps([entry.as_json() for entry in entries])
    assert "someone" not in kept and "game" not in kept


def test_csv_exports_of_the_event_viewer_and_of_powershell_are_read(tmp_path: Path) -> None:
    viewer = tmp_path / "viewer.csv"
    viewer.write_text(
        "Level,Date and Time,Source,Event ID,Task Category\n"
        "Critical,3/1/2026 2:05:00 PM,Microsoft-Windows-Kernel-Power,41,(63),The system has rebooted\n"
    )
    shell = tmp_path / "shell.csv"
    shell.write_text('#TYPE Selected\n"TimeCreated";"Id";"ProviderName"\n"01.03.2026 14:05:00";"6008";"EventLog"\n')
    (from_viewer,), (from_shell,) = read_log_file(viewer), read_log_file(shell)
    assert (from_viewer.id, from_shell.id) == ("kernel-power-41", "eventlog-6008")
    assert from_viewer.utc_s == from_shell.utc_s == datetime(2026, 3, 1, 14, 5).timestamp()


def test_a_date_that_can_be_read_in_two_ways_is_not_read_at_all(tmp_path: Path) -> None:
    file = tmp_path / "viewer.csv"
    file.write_text("Level,Date and Time,Source,Event ID\nError,03/01/2026 14:05:00,EventLog,6008\n")
    (entry,) = read_log_file(file)
    assert entry.utc_s is None


def test_json_exports_are_read_with_their_properties(tmp_path: Path) -> None:
    event = {
        "Id": 41,
        "ProviderName": KERNEL_POWER,
        "TimeCreated": "/Date(1700000000000)/",
        "Properties": [{"Value": v} for v in (0, 0, 0, 0, 0, False, 133)],
    }
    file = tmp_path / "events.json"
    file.write_text(json.dumps([event]))
    (entry,) = read_log_file(file)
    assert (entry.utc_s, entry.code) == (1_700_000_000.0, "bugcheck=0 button=1")


@pytest.mark.parametrize(
    "content",
    [
        b"ElfFile\x00" + bytes(100),
        b"\x00\x01\x02" * 50,
        b"<html><body>no events</body></html>",
        b"<!DOCTYPE x [<!ENTITY a 'b'>]><Event></Event>",
        b"[1, 2, 3]",
        b"{broken",
        b"Id,Other,Third\n41,x,y\n",
    ],
)
def test_a_file_that_is_none_of_these_is_refused_in_words(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "log.txt"
    file.write_bytes(content)
    with pytest.raises(ImportFault):
        read_log_file(file)


def test_entries_come_newest_first_and_each_once() -> None:
    old, new, now = LogEntry(utc_s=1.0, id="boot"), LogEntry(utc_s=2.0, id="boot"), LogEntry(utc_s=None, id="boot")
    assert newest_first([old, new, now, old]) == (now, new, old)


def test_the_command_tells_in_words_newest_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "system.xml"
    file.write_text(
        event_xml("EventLog", 6008, time="2026-03-01T14:05:30.0Z")
        + event_xml(KERNEL_POWER, 41, data_41("0", "0"), time="2026-03-01T14:05:20.0Z")
    )
    assert cli.run(["history", str(file), "--bench", str(tmp_path)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("2026-03-01 14:05:30 UTC") and "unexpected" in lines[0]
    assert "path of the power" in lines[1]
    assert cli.run(["history", str(file), "--bench", str(tmp_path), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["schema"] == 1 and answer["history"][1]["speaks_for"] == "power"


def test_the_command_works_on_any_system(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert cli.run(["history", "--json", "--bench", str(tmp_path)]) == 0
    assert isinstance(json.loads(capsys.readouterr().out)["history"], list)
