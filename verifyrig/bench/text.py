"""What bench.toml may say: checks the whole file and reports every fault of it at once. Opens nothing.

Our tables are those below; an unknown key in one of them is a fault, since a setting that is spelt wrong would be
passed over in silence. Any other table or key at the top belongs to another tool and is left alone, unless its name is
nearly one of ours. What depends on more than the file (a source that is plugged in, a catalogue of a language, a logo's
file, a time zone of this computer) is reported where it is used.

    [bench]                   id
    [shop]                    name, operator, address, phone, logo
    [report]                  language, paper, temperature_unit, time_zone, terms, templates
    [[instrument]]            see instruments.py
    [channel.NAME]            source; and what a calibration writes
    [board."MODEL"]           CHANNEL = "device"
    [gpu]                     card
    [place]                   names, here
    [prices]                  country, tax_percent, tax_included, labour_per_hour
    [privacy]                 keep_days, keep_original_photos
    [alert]                   command, bell
    [autostart]               profile, batch, unit, ambient, attest, wait_s
    [rig_check]               golden, profile
    [[notify]]                see notice_targets.py
    [line]                    label
    [diagnosis]               experience
    [training]                before, after
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping
from typing import Any

from verifyrig.bench.instruments import read_instruments
from verifyrig.bench.notice_targets import read_targets
from verifyrig.core.channels import is_channel
from verifyrig.files.toml_table import Faults, TomlTable, meant, parse_table, shown

PAPERS = {"a4": "A4", "letter": "Letter"}
TEMPERATURE_UNITS = {"c": "°C", "°c": "°C", "f": "°F", "°f": "°F"}
CALIBRATION_KEYS = (
    "correction",
    "correction_slope",
    "correction_at",
    "expanded_uncertainty",
    "calibrated",
    "due",
    "reference",
    "points_reference_c",
    "points_reading_c",
    "points_residual_k",
    "matched_to",
)
"""The keys of `[channel.NAME]` that a calibration writes."""

LONGEST_WAIT_S = 600.0
LONGEST_PLACE = 30
LONGEST_KEPT_DAYS = 36_500
LARGEST_PRICE = 1e9
COUNTRY_CODES = (
    "AT", "AU", "BE", "CA", "CH", "CZ", "DE", "DK", "ES", "FI", "FR", "GB", "HU", "IE", "IT", "JP", "LI", "LU", "NL",
    "NO", "NZ", "PL", "PT", "SE", "SK", "US",
)  # fmt: skip
"""Countries whose rounding is known (`jobs.money`)."""
NOWHERE = "none"  # said where a machine stands on no place
LARGEST_CORRECTION = 1000.0  # far beyond any correction and its uncertainty
_LIKELY_MEANT = 0.8  # a name so near to one of ours is taken for a slip; "reports" is, "repairs" is not
_TEXT = 'Write a text: "...".'
_DATE = "Write it as 2026-03-01."
_IN_UNIT = "Write a number in the channel's unit."


def read_bench(text: str, faults: Faults) -> dict[str, Any]:
    """Return bench.toml as nested dictionaries; what is wrong with it is among `faults`."""
    table = parse_table(text, faults)
    if table is None:
        return {}
    for name, read in _READERS.items():
        read(table, name)
    for key in table.values:
        near = [] if key in _READERS else difflib.get_close_matches(key.lower(), _READERS, n=1, cutoff=_LIKELY_MEANT)
        if near:
            table.fault(f"{shown(key)} is not a table known here", f"Did you mean {near[0]}?")
    return table.values


def _texts(*keys: str) -> Callable[[TomlTable, str], None]:
    """Return a reader for a table of texts."""

    def read(top: TomlTable, name: str) -> None:
        table = top.table(name, mend=f"Write [{name}].")
        if table is not None:
            for key in keys:
                table.text(key, mend=_TEXT, shortest=0)
            table.done()

    return read


def _report(top: TomlTable, name: str) -> None:
    report = top.table(name, mend="Write [report].")
    if report is None:
        return
    for key in ("language", "time_zone", "terms", "templates"):
        report.text(key, mend=_TEXT, shortest=0)
    for key, known in (("paper", PAPERS), ("temperature_unit", TEMPERATURE_UNITS)):
        word = report.text(key, mend=_TEXT, shortest=0)
        if word and word.lower() not in known:
            names = tuple(dict.fromkeys(known.values()))
            report.fault(f"{key} is {shown(word)}, and must be one of {', '.join(names)}", meant(word, names))
    report.done()


def _instruments(top: TomlTable, _name: str) -> None:
    read_instruments(top)


def _channels(top: TomlTable, name: str) -> None:
    for channel, table in _named_tables(top, name, "[channel.NAME]"):
        if not is_channel(channel):
            table.fault("this is no channel name", "Use one such as plate_temp_c; `verifyrig channels` shows those.")
        table.text("source", mend=_TEXT)
        for key in ("correction", "correction_slope", "correction_at"):
            table.number(key, mend=_IN_UNIT, minimum=-LARGEST_CORRECTION, maximum=LARGEST_CORRECTION)
        table.number("expanded_uncertainty", mend=_IN_UNIT, minimum=0, maximum=LARGEST_CORRECTION)
        calibrated, due = (table.day(key, mend=_DATE) for key in ("calibrated", "due"))
        if calibrated is not None and due is not None and due <= calibrated:
            table.fault(f"due {due} is not after calibrated {calibrated}", "Correct the dates, or calibrate anew.")
        for key in ("reference", "matched_to"):
            table.text(key, mend=_TEXT, shortest=0)
        for key in ("points_reference_c", "points_reading_c", "points_residual_k"):
            table.numbers(key, mend="Write a list of numbers.")
        table.done()


def _boards(top: TomlTable, name: str) -> None:
    for _, table in _named_tables(top, name, '[board."MODEL"]'):
        for channel in table.values:
            table.text(channel, mend="Name the device as `verifyrig channels` lists it.")
            if not is_channel(channel):
                table.fault(f"{shown(channel)} is no channel name", "Take it out or correct it.")


def _named_tables(top: TomlTable, name: str, form: str) -> list[tuple[str, TomlTable]]:
    outer = top.table(name, mend=f"Write {form}.")
    if outer is None:
        return []
    tables = [(key, outer.table(key, mend=f"Write {form}.")) for key in outer.values]
    return [(key, table) for key, table in tables if table is not None]


def _autostart(top: TomlTable, name: str) -> None:
    table = top.table(name, mend="Write [autostart].")
    if table is None:
        return
    if not table.has("profile"):
        table.fault("profile is missing", 'Write profile = "build", for example.')
    for key in ("profile", "batch", "unit", "ambient", "attest"):
        text = table.text(key, mend=_TEXT)
        if text is not None and text.startswith("-"):
            table.fault(f"{key} is {shown(text)}, and must not begin with '-'", _TEXT)
    table.number("wait_s", mend="Write seconds.", minimum=0, maximum=LONGEST_WAIT_S)
    table.done()


def _place(top: TomlTable, name: str) -> None:
    table = top.table(name, mend="Write [place].")
    if table is None:
        return
    names = table.texts("names", mend='Write ["left", "right"].')
    for one in names:
        if not 0 < len(one.strip()) <= LONGEST_PLACE or one.strip() != one or one == NOWHERE:
            table.fault(f"{shown(one)} is no name of a place", f"Write 1 to {LONGEST_PLACE} characters, not {NOWHERE}.")
    if len(set(names)) != len(names):
        table.fault("a place is named twice", "Give each its own name.")
    here = table.text("here", mend="Write at which of the places this computer works.")
    if here is not None and here not in names:
        table.fault(f"here is {shown(here)}, and must be one of names", meant(here, names))
    table.done()


def _privacy(top: TomlTable, name: str) -> None:
    table = top.table(name, mend="Write [privacy].")
    if table is not None:
        table.whole("keep_days", mend="Write days, such as 730.", maximum=LONGEST_KEPT_DAYS)
        table.flag("keep_original_photos", mend="Write true or false.")
        table.done()


def _alert(top: TomlTable, name: str) -> None:
    table = top.table(name, mend="Write [alert].")
    if table is None:
        return
    command = table.texts("command", mend='Write the program and its words, as in ["/usr/local/bin/ring"].')
    if table.has("command") and not (command and command[0].strip()):
        table.fault("command names no program", 'Write ["/usr/local/bin/ring"], for example.')
    table.flag("bell", mend="Write true or false.")
    table.done()


def _prices(top: TomlTable, name: str) -> None:
    table = top.table(name, mend="Write [prices].")
    if table is None:
        return
    table.choice("country", COUNTRY_CODES)
    table.number("tax_percent", mend="Write per cent, such as 19.", minimum=0, maximum=100)
    table.flag("tax_included", mend="Write true or false.")
    table.number("labour_per_hour", mend="Write the price of an hour.", minimum=0, maximum=LARGEST_PRICE)
    table.done()


def _diagnosis(top: TomlTable, name: str) -> None:
    table = top.table(name, mend="Write [diagnosis].")
    if table is not None:
        table.flag("experience", mend="Write true or false.")
        table.done()


def _bench_computer(top: TomlTable, name: str) -> None:
    table = top.table(name, mend="Write [bench_computer].")
    if table is None:
        return
    table.text("name", mend='Write "auto", or the address of the bench computer.')
    for channel in table.texts("probes", mend='Write ["plate_temp_c"].'):
        if not is_channel(channel):
            table.fault(f"{shown(channel)} is no channel name", "Name a channel that a probe of it measures.")
    for key in ("obey", "link_local_only"):
        table.flag(key, mend="Write true or false.")
    table.done()


def _bench_folder(top: TomlTable, name: str) -> None:
    table = top.table(name, mend="Write [bench_folder].")
    if table is not None:
        table.flag("shared", mend="Write true where other computers write to this folder as well, else false.")
        table.done()


def _line(top: TomlTable, name: str) -> None:
    table = top.table(name, mend="Write [line].")
    if table is None:
        return
    label = table.text("label", mend="Write the form of a unit's label as a pattern, such as 'SN(?P<unit>[0-9]{8})'.")
    try:
        re.compile(label or "")
    except (re.error, RecursionError) as error:
        table.fault(f"label is no pattern ({error})", "Write one such as 'SN(?P<unit>[0-9]{8})'.")
    table.done()


def _rig_check(top: TomlTable, name: str) -> None:
    table = top.table(name, mend="Write [rig_check].")
    if table is not None:
        table.texts("golden", mend='Write ["gold-1"].')
        table.text("profile", mend='Write "build", for example.')
        table.done()


_READERS: Mapping[str, Callable[[TomlTable, str], None]] = {
    "bench": _texts("id"),
    "shop": _texts("name", "operator", "address", "phone", "logo"),
    "report": _report,
    "instrument": _instruments,
    "channel": _channels,
    "board": _boards,
    "gpu": _texts("card"),
    "alert": _alert,
    "place": _place,
    "prices": _prices,
    "privacy": _privacy,
    "autostart": _autostart,
    "diagnosis": _diagnosis,
    "rig_check": _rig_check,
    "bench_computer": _bench_computer,
    "bench_folder": _bench_folder,
    "notify": read_targets,
    "line": _line,
    "training": _texts("before", "after"),
}
