"""The Windows System log, exported as XML, CSV or JSON: the few events that say how a session ended.

Sources: Microsoft's page on event id 41 (BugcheckCode, PowerButtonTimestamp); WHEA-Logger 17 to 19 and Kernel-Power
86 as published descriptions have them; order of the properties of event 41 from memory.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Any
from xml.etree import ElementTree

from verifyrig.core.errors import ImportFault
from verifyrig.system.history.entries import LogEntry

# Ids are counted by each provider for itself: 41 of another one means something else.
_EVENTS = {
    ("kernel-power", 41): "kernel-power-41",
    ("kernel-power", 42): "sleep",
    ("kernel-power", 85): "kernel-power-86",
    ("kernel-power", 86): "kernel-power-86",
    ("eventlog", 6006): "eventlog-6006",
    ("eventlog", 6008): "eventlog-6008",
    ("user32", 1074): "user32-1074",
    ("whea-logger", 17): "whea-17",
    ("whea-logger", 18): "whea-18",
    ("whea-logger", 19): "whea-19",
    ("whea-logger", 47): "whea-47",
    ("kernel-processor-power", 37): "firmware-limit-37",
}
_PROVIDERS = sorted({provider for provider, _ in _EVENTS}, key=len, reverse=True)
_PROPERTIES_OF_41 = ("BugcheckCode", "", "", "", "", "SleepInProgress", "PowerButtonTimestamp")
_EVENT_XML = re.compile(r"<Event[ >].*?</Event>", re.S)
_BINARY_LOG = b"ElfFile\x00"


def is_binary_log(data: bytes) -> bool:
    """Return whether the file is the log itself, which only Windows can read."""
    return data.startswith(_BINARY_LOG)


def xml_entries(text: str, origin: str) -> Iterator[LogEntry]:
    """Yield the events of an XML export, with or without one element around them all.

    Raises:
        ImportFault: There is no event in it, or it declares entities, which no export does.
    """
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise ImportFault("it declares entities", where=origin, mend="Export the System log anew, as XML.")
    events = _EVENT_XML.findall(text)
    if not events:
        raise ImportFault("there is no event in it", where=origin, mend="Export the System log as XML.")
    for event in events:
        try:
            element = ElementTree.fromstring(event)
        except ElementTree.ParseError:
            continue  # a cut-off event says nothing; the others do
        entry = _from_xml(element)
        if entry is not None:
            yield entry


def _from_xml(event: ElementTree.Element) -> LogEntry | None:
    found: dict[str, str] = {}
    provider = time = number = ""
    for element in event.iter():
        tag = element.tag.rpartition("}")[2]
        if tag == "Provider":
            provider = element.get("Name", "")
        elif tag == "TimeCreated":
            time = element.get("SystemTime", "")
        elif tag == "EventID":
            number = element.text or ""
        elif tag == "Data" and element.get("Name"):
            found[element.get("Name", "")] = element.text or ""
    return _entry(provider, number, _utc_s(time), found)


def csv_entries(text: str, origin: str) -> Iterator[LogEntry]:
    """Yield the events of a CSV export, of the event viewer or of PowerShell; raises as `xml_entries`."""
    lines = text.splitlines()
    while lines and lines[0].startswith("#TYPE"):
        lines.pop(0)
    separator = ";" if lines and lines[0].count(";") > lines[0].count(",") else ","
    rows = csv.DictReader(io.StringIO("\n".join(lines)), delimiter=separator)
    names = {re.sub(r"[^a-z]", "", name.lower()): name for name in rows.fieldnames or () if name}
    number = names.get("eventid") or names.get("id")
    provider = names.get("source") or names.get("providername") or names.get("provider")
    time = names.get("timecreated") or names.get("dateandtime") or names.get("timegenerated")
    if number is None or provider is None:
        raise ImportFault(
            "no columns for the event's id and source", where=origin, mend="Export with English heads, or as XML."
        )
    try:
        for row in rows:
            entry = _entry(row.get(provider) or "", row.get(number) or "", _utc_s(row.get(time or "") or ""), {})
            if entry is not None:
                yield entry
    except csv.Error as error:
        raise ImportFault(
            f"no table ({error})", where=f"{origin}, line {rows.line_num}", mend="Export anew."
        ) from error


def json_entries(text: str, origin: str) -> Iterator[LogEntry]:
    """Yield the events of a JSON export (`Get-WinEvent ... | ConvertTo-Json`); raises as `xml_entries`."""
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise ImportFault(f"no JSON ({error})", where=origin, mend="Export the System log anew.") from error
    events = data if isinstance(data, list) else [data]
    for event in events:
        if not isinstance(event, dict):
            raise ImportFault("no list of events", where=origin, mend="Export the System log anew.")
        provider = event.get("ProviderName") or event.get("Source") or ""
        number = event.get("Id", event.get("EventId", event.get("EventID", "")))
        time = event.get("TimeCreated", event.get("TimeGenerated", ""))
        entry = _entry(str(provider), str(number), _utc_s(time), _properties(event))
        if entry is not None:
            yield entry


def _properties(event: Mapping[str, Any]) -> dict[str, str]:
    values = event.get("Properties")
    if not isinstance(values, list):
        return {}
    texts = [str(value.get("Value")) if isinstance(value, dict) else str(value) for value in values]
    return {name: text for name, text in zip(_PROPERTIES_OF_41, texts, strict=False) if name}


def _entry(provider: str, number: str, utc_s: float | None, data: Mapping[str, str]) -> LogEntry | None:
    provider = provider.lower()
    named = next((known for known in _PROVIDERS if known in provider), None)
    found = _EVENTS.get((named or "", int(number))) if number.strip().isdigit() else None
    if found is None:
        return None
    return LogEntry(utc_s=utc_s, id=found, code=_code_of_41(data) if found == "kernel-power-41" else "")


def _code_of_41(data: Mapping[str, str]) -> str:
    """Return the two codes that tell a crash and a held button from lost power; empty where the export lacks them."""
    bugcheck, button = _integer(data.get("BugcheckCode")), _integer(data.get("PowerButtonTimestamp"))
    if bugcheck is None:
        return ""
    asleep = str(data.get("SleepInProgress", "")).strip().lower() not in ("", "false", "0", "none")
    words = [f"bugcheck={bugcheck}", f"button={1 if button else 0}" if button is not None else ""]
    return " ".join([*(word for word in words if word), *(["asleep=1"] if asleep else [])])


def _integer(text: str | None) -> int | None:
    try:
        return int(str(text).strip(), 0)
    except ValueError:
        return None


_DOTNET_DATE = re.compile(r"/Date\((-?\d+)\)/")
# Written with a.m. and p.m. the month stands first, with points the day; with slashes alone nobody can know.
_LOCAL_FORMS = ("%m/%d/%Y %I:%M:%S %p", "%d.%m.%Y %H:%M:%S", "%Y-%m-%d %H:%M:%S", "%Y/%m/%d %H:%M:%S")


def _utc_s(text: Any) -> float | None:
    """Return a time as seconds since 1970; times without a zone are those of this computer's clock on the wall."""
    if isinstance(text, dict):
        text = text.get("DateTime") or text.get("value") or ""
    text = str(text).strip()
    if dotnet := _DOTNET_DATE.search(text):
        return int(dotnet[1]) / 1000
    # Windows writes seven digits behind the point, one more than ISO parsers take.
    iso = re.sub(r"(\.\d{6})\d+", r"\1", text)
    try:
        when = datetime.fromisoformat(iso)
        return (when.replace(tzinfo=UTC) if iso.endswith("Z") else when).timestamp()
    except (ValueError, OverflowError):
        pass
    for form in _LOCAL_FORMS:
        try:
            return datetime.strptime(text, form).timestamp()
        except (ValueError, OverflowError):
            continue
    return None
