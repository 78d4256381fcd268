"""Asks what a log of another logger holds, and gives the words of `verifyrig import` for it."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

from verifyrig.core.errors import ImportFault, UsageError
from verifyrig.dialogs.checked import ask_checked
from verifyrig.dialogs.prompt import Asker
from verifyrig.files.csv_table import decode
from verifyrig.files.foreign_file import FileKind, read_bytes

# What such logs mostly hold, in that order; anything else is typed.
_CHANNELS = {
    "die_temp_c": "the die's temperature, °C",
    "plate_temp_c": "the plate's temperature, °C",
    "ambient_temp_c": "the room's temperature, °C",
    "package_power_w": "the processor's power, W",
    "gpu_temp_c": "the graphics chip's temperature, °C",
    "cpu_fan_speed_rpm": "the cooler's fan, rpm",
}
_STAGE = re.compile(r"(idle|load|cooldown)\s+(\d+(?:\.\d+)?)\s*(?:-|–|:|to)\s*(\d+(?:\.\d+)?)")


def ask_import(asker: Asker) -> list[str]:
    """Return the words of `import`; none where somebody leaves a question out."""
    path = ask_checked(asker, "Which file?", columns_of)
    if not path:
        return []
    columns = columns_of(path)
    time = columns[asker.row("Which column is the time?", columns)]
    words = [str(Path(path).expanduser()), "--time", time]
    words += _ask_channels(asker, [column for column in columns if column != time])
    if "--channel" not in words:
        return []
    stages = ask_checked(asker, "Idle, load and cooldown, in seconds? (such as: idle 0-300, load 300-900)", stages_of)
    return [*words, *stages_of(stages)] if stages else []


def _ask_channels(asker: Asker, columns: list[str]) -> list[str]:
    words: list[str] = []
    for channel, text in _CHANNELS.items():
        row = asker.row(f"Which column is {text}?", [*columns, "none"])
        if row < len(columns):
            words += ["--channel", f"{channel}={columns[row]}"]
    return words


def columns_of(path: str) -> list[str]:
    """Return the names in the head of a table; raise `ImportFault` where there is none."""
    place = Path(path).expanduser()
    try:
        text = decode(read_bytes(place, FileKind.TABLE), place.name)
        head = text.lstrip("\ufeff").split("\n", 1)[0].strip()
        dialect = csv.Sniffer().sniff(head, delimiters=",;\t|")
        names = [name.strip() for name in next(csv.reader(io.StringIO(head), dialect))]
    except (OSError, ValueError, csv.Error, StopIteration) as error:
        why = getattr(error, "strerror", None) or error
        raise ImportFault(f"this is no table ({why})", where=path[:200], mend="Type the path of a CSV file.") from error
    if len(names) < 2:
        raise ImportFault("it has one column", where=path[:200], mend="Type the path of a CSV file with a head.")
    return names


def stages_of(text: str) -> list[str]:
    """Return `idle 0-300, load 300-900` as words of `import`; raise `UsageError` where it is not valid."""
    words: list[str] = []
    for part in text.split(","):
        found = _STAGE.fullmatch(part.strip().lower())
        if found is None:
            raise UsageError(
                f"{part.strip()[:60]!r} is no stage", where="stages", mend="Write it like: idle 0-300, load 300-900."
            )
        words += ["--stage", f"{found[1]}={found[2]}:{found[3]}"]
    return words
