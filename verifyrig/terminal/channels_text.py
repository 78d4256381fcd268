"""What a machine shows, as sentences along the thermal path. Pure; text from outside is made harmless here."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence

from verifyrig.core.channels import THERMAL_PATH, base_name, duty_of, is_temperature, number_of, of_role
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading
from verifyrig.core.plain_text import plain_line, plain_lines
from verifyrig.terminal.words import part_word

_PLACE_WORDS = {"fins or radiator": {"radiator_temp_c": "radiator", "exhaust_temp_c": "exhaust air"}}
_WORDS = {
    "hose_in_temp_c": "hose to the radiator",
    "hose_out_temp_c": "hose from the radiator",
    "exhaust_temp_c": "exhaust air",
    "core_temp_c": "core",
    "vrm_temp_c": "regulators",
    "board_temp_c": "board",
    "memory_temp_c": "memory",
    "drive_temp_c": "drive",
    "gpu_temp_c": "graphics",
    "gpu_hotspot_temp_c": "graphics hot spot",
    "gpu_memory_temp_c": "graphics memory",
    "package_power_w": "package",
    "gpu_power_w": "graphics",
    "wall_power_w": "at the wall",
    "power_limit_w": "limit of the package",
    "cpu_fan_speed_rpm": "processor fan",
    "pump_speed_rpm": "pump",
    "case_fan_speed_rpm": "case fan",
    "gpu_fan_speed_rpm": "graphics fan",
    "rail_12v_v": "12 V",
    "rail_5v_v": "5 V",
    "rail_3v3_v": "3.3 V",
    "core_clock_mhz": "cores",
    "gpu_clock_mhz": "graphics",
    "busy_share": "processors",
    "gpu_busy_share": "graphics",
    "throttle_count": "throttle events since this look began",
}
_GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Beside the path", ("hose", "exhaust", "vrm", "board", "memory", "drive", "gpu_temp", "gpu_hot", "gpu_mem")),
    ("Power", ("package_power", "gpu_power", "wall_power", "power_limit")),
    ("Turning", ("cpu_fan_speed", "pump_speed", "case_fan_speed", "gpu_fan_speed")),
    ("Rails", ("rail",)),
    ("Clocks", ("core_clock", "gpu_clock")),
    ("At work", ("busy", "gpu_busy", "throttle")),
)


def value_word(info: ChannelInfo, reading: Reading) -> str:
    """Return a value with its unit as a person reads it; the quality in a word where it is not to be believed."""
    if reading.value is None:
        return "not measured" if reading.quality is Quality.MISSING else reading.quality.value
    word = _number(info, reading.value)
    return word if reading.ok else f"{word} ({reading.quality.value})"


def _number(info: ChannelInfo, value: float) -> str:
    if info.quantity == "share":
        return f"{value * 100:.0f} %"
    if info.quantity == "count":
        return f"{value:.0f}"
    if info.quantity == "temperature":
        return f"{value:.1f} °C" if (info.resolution or 0.1) < 0.5 and abs(value) < 100 else f"{value:.0f} °C"
    if info.quantity == "voltage":
        return f"{value:.2f} V"
    return f"{value:.0f} {info.unit}"


def show(
    seen: Sequence[tuple[ChannelInfo, Reading]],
    can: Sequence[str],
    cannot: Sequence[str],
    *,
    width: int = 80,
    simulated: bool = False,
    proved: Mapping[str, str] | None = None,
) -> str:
    """Return the whole view.

    Args:
        seen: Every sensor with its reading.
        can, cannot: What these readings can answer and what they cannot, as clauses.
        width: Columns.
        simulated: Whether the tree is not this machine's own.
        proved: By channel, how it answered to a pulse of load.
    """
    named = {info.channel: (info, reading) for info, reading in seen if info.channel is not None}
    parts = [_title(simulated), _path(named), _groups(named), _proved(proved or {})]
    parts += [_doubts(named), _nameless([pair for pair in seen if pair[0].channel is None])]
    parts += [_list("These readings show", can), _list("They cannot show", cannot)]
    return "\n\n".join(_wrap(part, width) for part in parts if part)


def _title(simulated: bool) -> str:
    where = "A tree of files, not this machine (simulated hardware)" if simulated else "This machine"
    return f"{where}, along the thermal path:"


def _path(named: Mapping[str, tuple[ChannelInfo, Reading]]) -> str:
    """Return a line for each place from the room to the die, with the kelvin from place to place."""
    lines, before = [], ""
    before_c: float | None = None
    for place, channels in THERMAL_PATH:
        channel = next((name for name in channels if name in named), None)
        if channel is None:
            continue
        info, reading = named[channel]
        word = _PLACE_WORDS.get(place, {}).get(channel, place)
        parts = [value_word(info, reading)]
        if reading.ok and reading.value is not None and before_c is not None:
            parts.append(_step(reading.value - before_c, before))
        parts += _left(info, reading)
        lines.append(f"  {word:<12} " + ", ".join(parts))
        if reading.ok:
            before, before_c = word, reading.value
        lines += [
            _further(name, named) for name in of_role(channel, named) if number_of(name) > 1 and not _beside(name)
        ]
    return plain_lines([*lines, *_cores(named)]) or "  No temperature on the thermal path is shown."


def _beside(name: str) -> bool:
    return base_name(name).startswith(_GROUPS[0][1])


def _further(name: str, named: Mapping[str, tuple[ChannelInfo, Reading]]) -> str:
    """Return the line of a further one of its kind, such as a second die."""
    info, reading = named[name]
    return f"  {part_word(name):<12} " + ", ".join([value_word(info, reading), *_left(info, reading)])


def _step(difference_k: float, before: str) -> str:
    if abs(difference_k) < 0.5:
        return f"level with the {before}"
    return f"{abs(difference_k):.0f} K {'above' if difference_k > 0 else 'below'} the {before}"


def _left(info: ChannelInfo, reading: Reading) -> list[str]:
    if info.limit is None or not reading.ok or reading.value is None:
        return []
    remaining_k = info.limit - reading.value
    if remaining_k < 0:
        return [f"{-remaining_k:.0f} K above its own limit of {info.limit:.0f} °C"]
    return [f"{remaining_k:.0f} K left to its own limit of {info.limit:.0f} °C"]


def _cores(named: Mapping[str, tuple[ChannelInfo, Reading]]) -> list[str]:
    cores = [reading.value for name, (_, reading) in named.items() if base_name(name) == "core_temp_c" and reading.ok]
    values = [value for value in cores if value is not None]
    if len(values) < 2:
        return []
    return [f"  {'cores':<12} {len(values)} of them, from {min(values):.0f} to {max(values):.0f} °C"]


def _groups(named: Mapping[str, tuple[ChannelInfo, Reading]]) -> str:
    on_path = {next((n for n in names if n in named), "") for _, names in THERMAL_PATH}
    lines = []
    for title, beginnings in _GROUPS:
        items = [
            _item(name, *named[name], named)
            for name in named
            if name not in on_path and base_name(name).startswith(beginnings) and not name.endswith("duty_share")
        ]
        if items:
            lines.append(f"{title}: " + "; ".join(items) + ".")
    return plain_lines(lines)


def _item(name: str, info: ChannelInfo, reading: Reading, named: Mapping[str, tuple[ChannelInfo, Reading]]) -> str:
    base, n = base_name(name), number_of(name)
    word = _WORDS.get(base, plain_line(base)) + (f" {n}" if n > 1 else "")
    text = f"{word} {value_word(info, reading)}"
    left = _left(info, reading) if is_temperature(name) else []
    duty = named.get(duty_of(name)) if name.endswith("_speed_rpm") else None
    if duty is not None and duty[1].ok:
        text += f" at {value_word(*duty)} duty"
    if base in ("busy_share", "gpu_busy_share") and reading.value is not None:
        text += " busy"
    return ", ".join([text, *left])


def _proved(proved: Mapping[str, str]) -> str:
    if not proved:
        return ""
    return plain_lines(["Who moved in five seconds of load:", *(f"  {name}: {text}" for name, text in proved.items())])


def _doubts(named: Mapping[str, tuple[ChannelInfo, Reading]]) -> str:
    lines = [
        f"  {name}: {_sentence(reading.note or info.note)}"
        for name, (info, reading) in named.items()
        if not reading.ok or (info.note and not name.endswith("_duty_share"))
    ]
    return plain_lines(["To be known of these readings:", *lines]) if lines else ""


def _nameless(seen: Sequence[tuple[ChannelInfo, Reading]]) -> str:
    if not seen:
        return ""
    head = "Without a role (a [channel.NAME] with this source in bench.toml gives one):"
    return plain_lines([head, *(f"  {_nameless_line(info, reading)}" for info, reading in seen)])


def _nameless_line(info: ChannelInfo, reading: Reading) -> str:
    label = f"{plain_line(info.label, 40)}, " if info.label else ""
    why = f": {_sentence(reading.note)}" if not reading.ok and reading.note else ""
    note = f" [{plain_line(info.note, 120)}]" if info.note else ""
    return f"{label}{plain_line(info.device, 120)}, {value_word(info, reading)}{note}{why}"


def _sentence(text: str) -> str:
    clean = plain_line(text, 300)
    return clean if clean.endswith((".", "!", "?")) else clean + "."


def _list(title: str, clauses: Sequence[str]) -> str:
    return plain_lines([f"{title}:", *(f"  - {clause}." for clause in clauses)]) if clauses else ""


def _wrap(text: str, width: int) -> str:
    lines = []
    for line in text.splitlines():
        indent = " " * (len(line) - len(line.lstrip()) + 4)
        lines += textwrap.wrap(line, max(24, width), subsequent_indent=indent, break_on_hyphens=False) or [""]
    return plain_lines(lines)
