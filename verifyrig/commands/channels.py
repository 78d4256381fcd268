"""`verifyrig channels`: what this machine lets us measure, along the thermal path."""

from __future__ import annotations

import argparse
import contextlib
import shutil
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from verifyrig.bench.folder import find_bench
from verifyrig.commands import Answer, Context
from verifyrig.commands.which_job import add_job_words
from verifyrig.core.errors import UsageError
from verifyrig.core.plain_text import plain_block, plain_line
from verifyrig.files.streams import ReaderGone, put, tell

if TYPE_CHECKING:
    from verifyrig.commands.contract import ChannelObject, ChannelsObject
    from verifyrig.sensors.proof import Moved
    from verifyrig.sensors.survey import SeenSensor, Survey
    from verifyrig.system.machine import MachineRoot

_WATCH_S = 1.0
_MAINS = {"on": "Fed from the mains.", "off": "Runs from its battery: it may hold its power down. Plug it in."}
_FILE_LIMIT_S = 6.0  # eight times what the slowest probe takes; then the file is named instead


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `channels`."""
    parser.add_argument("--root", metavar="DIR", help="a folder with sys and proc of the machine (default /)")
    parser.add_argument("--watch", action="store_true", help="show it again each second, until Ctrl-C")
    parser.add_argument(
        "--prove", action="store_true", help="five seconds of load on a quarter of the workers: who moves?"
    )
    add_job_words(parser, "with --prove: the job of the machine that is heated (else the open one)")
    parser.add_argument(
        "--assign", action="append", default=[], metavar="CHANNEL=DEVICE", help="keep a role for boards of this model"
    )


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """List every sensor with its reading; say what these readings can answer and what they cannot."""
    from verifyrig.core.interfaces import Controls
    from verifyrig.rig.patience import patiently
    from verifyrig.sensors.survey import Survey
    from verifyrig.system.machine import resolve_root

    if args.watch and (context.json or args.prove):
        raise UsageError("it draws for a person, by itself", where="--watch", mend="Leave out --json and --prove.")
    if args.prove:
        _refuse_danger(context, args)
    root = resolve_root(Path(args.root or "/"))
    if args.assign:
        _assign(args.assign, root.path, context)
        context = replace(context, bench=find_bench(str(context.bench.root)))
    with contextlib.closing(Survey(root.path, context.bench.config)) as survey:
        if args.watch:
            return _watch(survey, root)
        proved = _prove(survey, root) if args.prove else {}
        seen = patiently(survey.first_look, Controls(), file_limit_s=_FILE_LIMIT_S)
        return _answer(_with_cold_notes(seen, root.path), root, proved)


def _assign(words: Sequence[str], root: Path, context: Context) -> None:
    """Keep in bench.toml which sensor is which channel on boards of this machine's model."""
    from verifyrig.bench.folder import change_config
    from verifyrig.files.toml_edit import set_keys
    from verifyrig.sensors.find import board_model

    model = board_model(root)
    if not model:
        raise UsageError(
            "the firmware does not say which board this is", where="--assign", mend="Use [channel.NAME] in bench.toml."
        )
    roles = dict(_role(word, root, context) for word in words)
    change_config(context.bench.root / "bench.toml", lambda text: set_keys(text, ("board", model), roles))
    tell(f"Kept for boards {plain_line(model, 200)}: {', '.join(roles)}")


def _role(word: str, root: Path, context: Context) -> tuple[str, str]:
    from verifyrig.core.channels import is_channel, quantity_of
    from verifyrig.sensors.find import close_all, find_sensors

    channel, _, device = word.partition("=")
    if not is_channel(channel):
        raise UsageError(
            f"{channel!r} is no channel name", where="--assign", mend="Use one such as case_fan_speed_rpm."
        )
    sensors = find_sensors(root)
    close_all(sensors)
    known = [sensor.info for sensor in sensors if sensor.info.quantity == quantity_of(channel)]
    if device not in [info.device for info in known]:
        raise UsageError(
            f"no {quantity_of(channel)} of this machine is {device!r}",
            where="--assign",
            mend="Name the device as `verifyrig channels` lists it.",
        )
    return channel, device


def _answer(seen: list[SeenSensor], root: MachineRoot, proved: Mapping[str, Moved]) -> Answer:
    from verifyrig.sensors.answerable import answerable
    from verifyrig.sensors.survey import by_channel
    from verifyrig.system.mains import mains_of

    can, cannot = answerable(by_channel(seen), _limited(seen))
    data: ChannelsObject = {
        "channels": [_item(one, proved.get(one.info.channel or "")) for one in seen],
        "can": can,
        "cannot": cannot,
        "mains": mains_of(root.path),
    }
    return Answer(data=data, text=_text(seen, root, proved))


def _limited(seen: Sequence[SeenSensor]) -> list[str]:
    """Return the channels whose own limit the machine states."""
    return [one.info.channel for one in seen if one.info.channel is not None and one.info.limit is not None]


def _with_cold_notes(seen: list[SeenSensor], root: Path) -> list[SeenSensor]:
    """Return the same with what a start from cold says of some sensors."""
    from verifyrig.sensors.cross_check import cold_start_notes
    from verifyrig.sensors.files import read_text
    from verifyrig.sensors.survey import by_channel

    words = read_text(root / "proc/uptime").split()
    with contextlib.suppress(ValueError):
        notes = cold_start_notes(by_channel(seen), float(words[0]) if words else None)
        return [_noted(one, notes.get(one.info.channel or "", "")) for one in seen]
    return seen


def _noted(one: SeenSensor, note: str) -> SeenSensor:
    if not note:
        return one
    return replace(one, info=replace(one.info, note="; ".join(filter(None, (one.info.note, note)))))


def _text(seen: list[SeenSensor], root: MachineRoot, proved: Mapping[str, Moved]) -> str:
    from verifyrig.sensors.answerable import answerable
    from verifyrig.sensors.survey import by_channel
    from verifyrig.system.mains import mains_of
    from verifyrig.terminal.channels_text import show

    can, cannot = answerable(by_channel(seen), _limited(seen))
    infos = {one.info.channel: one.info for one in seen}
    words = {
        channel: _moved_word(moved, infos[channel].unit)
        for channel, moved in proved.items()
        if moved.moved is not None or infos[channel].quantity == "temperature"
    }
    path = show(
        [(one.info, one.reading) for one in seen],
        can,
        cannot,
        width=shutil.get_terminal_size((100, 24)).columns - 1,  # as the printing of answers breaks lines
        simulated=not root.live,
        proved=words,
    )
    mains = mains_of(root.path)
    return path if mains is None else f"{path}\n\n{_MAINS[mains]}"


def _item(one: SeenSensor, moved: Moved | None) -> ChannelObject:
    info, reading = one.info, one.reading
    item: ChannelObject = {
        "channel": info.channel,
        "label": info.label,
        "device": info.device,
        "source": info.source,
        "quantity": info.quantity,
        "unit": info.unit,
        "value": None if reading.value is None else round(reading.value, 6),
        "quality": reading.quality,
        "limit": info.limit,
    }
    notes = [note for note in (reading.note, info.note) if note]
    if moved is not None:
        item["moved"] = moved.moved
        notes.append(_moved_word(moved, info.unit))
    if notes:
        item["note"] = "; ".join(notes)
    return item


def _moved_word(moved: Moved, unit: str) -> str:
    if moved.change is None:
        return "no readings to compare"
    size = f"{moved.change:+.1f} K" if unit == "°C" else f"{moved.change:+.3g} {unit}".removesuffix(" 1")
    if moved.moved:
        return f"moved by {size} in five seconds of load"
    if moved.moved is False:
        return "did not move at all, though it had to: stuck"
    return f"did not clearly move ({size}): five seconds cannot show it"


def _refuse_danger(context: Context, args: argparse.Namespace) -> None:
    """Raise `SafetyRefusal` where a danger locks the machine of the job: the proof heats it, too."""
    from verifyrig.commands.which_job import job_meant
    from verifyrig.jobs.danger_look import DangerLook
    from verifyrig.rig.danger_watch import danger_refusal

    job = job_meant(context, args.job, args.place)
    notice = DangerLook(context.bench, job.job_id)() if job is not None else None
    if job is not None and notice is not None:
        raise danger_refusal(notice, job.job_id)


def _prove(survey: Survey, root: MachineRoot) -> dict[str, Moved]:
    from verifyrig.loads import make_load
    from verifyrig.loads.machine_claim import machine_claimed
    from verifyrig.sensors.proof import prove

    claim = machine_claimed("of `channels --prove`") if root.live else contextlib.nullcontext()
    survey.first_look()
    with claim, contextlib.closing(make_load(root)) as load:
        return prove(survey.bank, load, say=tell)


def _top_of(text: str, rows: int) -> str:
    """Return what a screen of so many rows can show: the thermal path stands first and must not scroll away."""
    lines = text.split("\n")
    if len(lines) < rows:
        return text
    kept = lines[: max(1, rows - 2)]
    return "\n".join([*kept, f"... {len(lines) - len(kept)} further lines without --watch"])


def _watch(survey: Survey, root: MachineRoot) -> Answer:
    """Show it each second; on a terminal in place. Ctrl-C is the way to end it, and no fault."""
    with contextlib.suppress(KeyboardInterrupt, ReaderGone):
        survey.look()
        while True:
            time.sleep(_WATCH_S)
            text = plain_block(_text(survey.look(), root, {}))
            put(partial(_draw, text))
    return Answer()


def _draw(text: str, out: TextIO) -> None:
    if out.isatty():
        text = _top_of(text, shutil.get_terminal_size((100, 24)).lines)
        out.write("\x1b[2J\x1b[H")  # clear and home, understood by every terminal that has a cursor
    print(text, file=out)
