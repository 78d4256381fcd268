"""`verifyrig setup`: asks for shop, operator, report settings and probes, and writes bench.toml."""

from __future__ import annotations

import argparse
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypedDict

from verifyrig.commands import Answer, Context
from verifyrig.commands.setup_bench import BenchValues, ask_bench
from verifyrig.core.errors import SerialError, UsageError
from verifyrig.core.plain_text import plain_line
from verifyrig.dialogs.checked import ask_checked
from verifyrig.dialogs.prompt import Asker, Option, TerminalAsker, can_ask
from verifyrig.files.toml_edit import Value

if TYPE_CHECKING:
    from verifyrig.commands.contract import SetupObject, SigningKey

PAPERS = ("A4", "Letter")
TEMPERATURE_UNITS = ("°C", "°F")
LONGEST_TEXT = 5000
# What can be probed from outside, in the order in which it is mostly done.
PLACES = {
    "plate_temp_c": "the cooler's plate",
    "ambient_temp_c": "the room",
    "radiator_temp_c": "radiator or fins",
    "inlet_temp_c": "the air at the cooler's inlet",
    "exhaust_temp_c": "the air at the outlet",
    "hose_in_temp_c": "hose to the radiator",
    "hose_out_temp_c": "hose from the radiator",
    "vrm_temp_c": "the board's voltage converters",
}
_WARM_S = 60.0
_Values = BenchValues


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the settings; on a terminal what is left out is asked for."""
    parser.add_argument("--bench-id", metavar="NAME", help="name of this bench among the shop's others")
    parser.add_argument("--shop", metavar="NAME", help="the shop's name")
    parser.add_argument("--operator", metavar="NAME", help="who works at this bench")
    parser.add_argument("--address", metavar="TEXT", help="the shop's address")
    parser.add_argument("--phone", metavar="TEXT", help="the telephone that a customer calls")
    parser.add_argument("--logo", metavar="FILE", help="a picture for the report, PNG, JPEG or SVG")
    parser.add_argument("--language", metavar="CODE", help="language of the report")
    parser.add_argument("--paper", metavar="SIZE", choices=PAPERS, help=" or ".join(PAPERS))
    parser.add_argument("--temperature-unit", metavar="UNIT", choices=TEMPERATURE_UNITS, help="°C or °F")
    parser.add_argument("--time-zone", metavar="NAME", help="time zone of the report's times, such as Europe/Berlin")
    parser.add_argument("--terms", metavar="TEXT", help="terms printed in the report")
    parser.add_argument(
        "--signing-key", action="store_true", help="make this computer a key, with which it signs its records"
    )
    parser.add_argument("--probe", metavar="URL", help="port of a thermometer: /dev/ttyUSB0, COM3, socket://host:port")
    parser.add_argument(
        "--channel", action="append", default=[], metavar="KEY=CHANNEL", help="which of its readings is which channel"
    )


def execute(args: argparse.Namespace, context: Context, asker: Asker | None = None) -> Answer:
    """Ask what was not given, and change bench.toml without losing what others wrote."""
    from verifyrig.bench.folder import change_config

    path = context.bench.root / "bench.toml"
    values = _given(args)
    instruments = _given_instrument(args, context)
    key = _signing_key() if args.signing_key else None
    if key and not values and not instruments:
        made: SetupObject = {"signing_key": key}
        return Answer(data=made, text=_key_text(key))
    if not values and not instruments:
        if asker is None and not can_ask(json=context.json):
            raise UsageError(
                "nothing is to be set, and nobody can be asked",
                where="verifyrig setup",
                mend="Run it on a terminal, or name settings: `verifyrig setup --help` lists them.",
            )
        asker = asker or TerminalAsker()
        values = ask_settings(asker, context.bench.config, context.bench.root)
        values |= ask_bench(asker, context.bench.config)
        instruments = ask_probes(asker, context.bench.config)
    settings = change_config(path, lambda text: changed_settings(text, values, instruments))
    data: SetupObject = {"file": str(path), "settings": settings}
    if key:
        data["signing_key"] = key
    return Answer(data=data, text=plain_line(f"Written: {path}") + (f"\n{_key_text(key)}" if key else ""))


def _signing_key() -> SigningKey:
    """Make this computer's key where it has none; return where it lies and its public half."""
    import base64

    from verifyrig.record.signature import fingerprint_of, key_path, make_key

    public = make_key(key_path())
    text = base64.b64encode(public).decode("ascii")
    return {"file": str(key_path()), "public_key": text, "fingerprint": fingerprint_of(public)}


def _key_text(key: SigningKey) -> str:
    return (
        f"This computer signs its records with the key {key['fingerprint']}.\nPublic key: {key['public_key']}\n"
        f"It lies in {key['file']}: copy it nowhere, and let nobody read it."
    )


def changed_settings(
    text: str, values: Mapping[tuple[str, str], Value | None], instruments: Sequence[Mapping[str, Any]] = ()
) -> str:
    """Return bench.toml with values set by table and key, and instruments added or replaced by their id.

    An empty text, or None, takes the key away.
    """
    from verifyrig.files.toml_edit import put_by_id, set_keys

    for (table, key), value in values.items():
        text = set_keys(text, (table,), {key: None if value == "" else value})
    for instrument in instruments:
        text = put_by_id(text, "instrument", instrument)
    return text


_FLAGS = {
    ("bench", "id"): "bench_id",
    ("shop", "name"): "shop",
    ("shop", "operator"): "operator",
    ("shop", "address"): "address",
    ("shop", "phone"): "phone",
    ("shop", "logo"): "logo",
    ("report", "language"): "language",
    ("report", "paper"): "paper",
    ("report", "temperature_unit"): "temperature_unit",
    ("report", "time_zone"): "time_zone",
    ("report", "terms"): "terms",
}


def _given(args: argparse.Namespace) -> _Values:
    from verifyrig.report.catalogue import checked_language

    values = {place: getattr(args, flag)[:LONGEST_TEXT] for place, flag in _FLAGS.items() if getattr(args, flag)}
    checked_language(values.get(("report", "language")), "--language")
    zone = values.get(("report", "time_zone"))
    if zone is not None and not _is_zone(zone):
        from verifyrig.files.time_zone import ZONE_MEND

        raise UsageError(f"there is no time zone {zone!r} on this computer", where="--time-zone", mend=ZONE_MEND)
    return values


def _is_zone(name: str) -> bool:
    from verifyrig.files.time_zone import zone_of

    try:
        zone_of(name)
    except ValueError:
        return False
    return True


def _given_instrument(args: argparse.Namespace, context: Context) -> list[_Instrument]:
    from verifyrig.core.channels import is_channel

    if args.probe is None:
        if args.channel:
            raise UsageError("--channel needs --probe", where="--channel", mend="Name the port with --probe.")
        return []
    channels = {}
    for word in args.channel:
        key, sign, channel = word.partition("=")
        if not sign or not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]{0,23}", key) or not is_channel(channel):
            raise UsageError(f"{word!r} is no KEY=CHANNEL", where="--channel", mend="Write it like t1=plate_temp_c.")
        channels[key.lower()] = channel
    if not channels:
        raise UsageError("no reading is named", where="--probe", mend="Add --channel t1=plate_temp_c.")
    return [_instrument(_free_id(context.bench.config), args.probe, 9600, channels)]


class _Instrument(TypedDict):
    """One table `instrument` of bench.toml; the channels by the key that the instrument gives its readings."""

    id: str
    url: str
    protocol: str
    baud: int
    channels: dict[str, str]


def _instrument(name: str, url: str, baud: int, channels: Mapping[str, str]) -> _Instrument:
    return {"id": name, "url": url, "protocol": "text", "baud": baud, "channels": dict(channels)}


def _free_id(config: Mapping[str, Any], url: str = "") -> str:
    """Return the id of the instrument that is at that port already, else a new one."""
    tables = config.get("instrument", [])
    same = next((str(one["id"]) for one in tables if url and one["url"] == url), None)
    if same is not None:
        return same
    taken = {one["id"] for one in tables}
    names = ("probe", *(f"probe-{n}" for n in range(2, len(taken) + 3)))
    return next(name for name in names if name not in taken)


def ask_settings(asker: Asker, config: Mapping[str, Any], root: Path = Path()) -> _Values:
    """Ask for shop and report; what is set already is offered."""
    from verifyrig.dialogs.job_interview import pick
    from verifyrig.report.catalogue import display_name, languages

    def known(table: str, key: str) -> str:
        return str(config.get(table, {}).get(key, ""))

    values: _Values = {
        ("shop", "name"): asker.line("The shop's name?", default=known("shop", "name")),
        ("shop", "operator"): asker.line("Who works at this bench?", default=known("shop", "operator")),
        ("shop", "address"): asker.line("Address?", default=known("shop", "address")),
        ("shop", "phone"): asker.line("Telephone, for customers? (Enter: none)", default=known("shop", "phone")),
        ("shop", "logo"): ask_checked(
            asker, "Logo, a picture's file? (Enter: none)", lambda path: _check_logo(root / path), known("shop", "logo")
        ),
    }
    codes = {code: display_name(code) for code in languages()}
    papers, units = {paper: paper for paper in PAPERS}, {unit: unit for unit in TEMPERATURE_UNITS}
    values["report", "language"] = pick(asker, "Language of reports?", codes, known("report", "language") or "en")
    values["report", "paper"] = pick(asker, "Paper?", papers, known("report", "paper") or "A4")
    unit = {"C": "°C", "F": "°F"}.get(known("report", "temperature_unit"), known("report", "temperature_unit"))
    values["report", "temperature_unit"] = pick(asker, "Temperatures in?", units, unit or "°C")
    values["report", "time_zone"] = _ask_zone(asker, known("report", "time_zone"))
    values["report", "terms"] = asker.line("Terms printed in reports?", default=known("report", "terms"))
    return values


def _check_logo(path: Path) -> None:
    """Raise `UsageError` where a path leads to no file: the page of every report would lack it."""
    if not path.is_file():
        raise UsageError("there is no such file", where="logo", mend="Type the path of a picture, PNG, JPEG or SVG.")


def _ask_zone(asker: Asker, known: str) -> str:
    from verifyrig.files.time_zone import system_zone_name

    while True:
        zone = asker.line("Time zone of reports, such as Europe/Berlin?", default=known or system_zone_name())
        if _is_zone(zone):
            return zone
        asker.say(f"There is no time zone {zone!r} on this computer.")


def ask_probes(asker: Asker, config: Mapping[str, Any]) -> list[_Instrument]:
    """Look for serial thermometers, and ask which reading is which place."""
    from verifyrig.sensors.probe_finder import FoundProbe, find_probe, ports

    yes_no = (Option(key="y", label="yes"), Option(key="n", label="no"))
    if asker.choose("Is a thermometer on a serial port or USB?", yes_no, default="n") == "n":
        return []
    listed = ports()
    asker.say(f"Ports: {', '.join(listed)}" if listed else "The system lists no serial port.")
    heard: dict[str, FoundProbe] = {}

    def listen(port: str) -> None:
        asker.say("Listening ...")
        heard[port] = find_probe(port)

    question, only = "Which port? (such as /dev/ttyUSB0; Enter: none)", listed[0] if len(listed) == 1 else ""
    url = ask_checked(asker, question, listen, default=only)
    if not url:
        return []
    found = heard[url]
    shown = ", ".join(f"{key} {value:.1f} °C" for key, value in found.readings.items())
    asker.say(f"It sends {shown} at {found.baud} baud.")
    channels = _places_of(asker, found.url, found.baud, found.readings)
    return [_instrument(_free_id(config, url), url, found.baud, channels)] if channels else []


def _places_of(asker: Asker, url: str, baud: int, readings: Mapping[str, float]) -> dict[str, str]:
    """Return the channel of each key: with one key its place is asked, with several the one that is warmed is it."""
    from verifyrig.dialogs.job_interview import pick

    channels: dict[str, str] = {}
    left = dict(readings)
    while left:
        places = {place: text for place, text in PLACES.items() if place not in channels.values()}
        question = "Where is it?" if len(readings) == 1 else "Which place next?"
        place = pick(asker, question, places | {"": "no further place"})
        if not place:
            break
        key = next(iter(left)) if len(left) == 1 else _warmed_key(asker, url, baud, left, PLACES[place])
        channels[key] = place
        del left[key]
        asker.say(f"{key} is {PLACES[place]}.")
    return channels


def _warmed_key(asker: Asker, url: str, baud: int, left: Mapping[str, float], place: str) -> str:
    import time

    from verifyrig.dialogs.job_interview import pick
    from verifyrig.sensors.probe_finder import listen_for, warmed

    asker.say(f"Warm this one in your hand: that is {place}. Listening for a minute ...")
    before: dict[str, float] = {}
    end_s = time.monotonic() + _WARM_S
    while time.monotonic() < end_s:
        try:
            now = {key: value for key, value in listen_for(url, baud, 2.0).items() if key in left}
        except SerialError as error:
            asker.say(str(error))
            break
        before = before or now
        key = warmed(before, now)
        if key is not None:
            return key
    asker.say("None was clearly warmer than the others.")
    return pick(asker, f"Which one is {place}?", {key: f"{key}, {value:.1f} °C" for key, value in left.items()})
