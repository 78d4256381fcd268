"""`verifyrig calibrate`: correct a probe against ice, a reference thermometer, or another probe in the same air."""

from __future__ import annotations

import argparse
import contextlib
import math
import time
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from verifyrig.commands import Answer, Context
from verifyrig.core.errors import UsageError
from verifyrig.core.plain_text import plain_line
from verifyrig.dialogs.prompt import Asker, TerminalAsker, can_ask

if TYPE_CHECKING:
    from verifyrig.commands.contract import CalibrateObject
    from verifyrig.dialogs.calibrate_flow import CalibrationOutcome


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `calibrate`."""
    parser.add_argument("--root", metavar="DIR", help="a folder with sys and proc of the machine (default /)")


def execute(args: argparse.Namespace, context: Context, asker: Asker | None = None) -> Answer:
    """Talk a person through it, and write the correction to bench.toml."""
    from verifyrig.dialogs.calibrate_flow import calibrate
    from verifyrig.system.machine import resolve_root

    if asker is None and not can_ask(json=context.json):
        raise UsageError(
            "it asks questions, and nobody can be asked", where="verifyrig calibrate", mend="Run it on a terminal."
        )
    root = resolve_root(Path(args.root or "/"))
    with contextlib.closing(BenchProbes(root.path, context.bench.config)) as probes:
        outcome = calibrate(asker or TerminalAsker(), probes, date.today())
    if outcome is None:
        return Answer(data=object_of(None, None), text="Nothing was written.")
    path = context.bench.root / "bench.toml"
    _write(path, outcome.channel, outcome.values)
    said = plain_line(f"Written: {path}, [channel.{outcome.channel}]")
    return Answer(data=object_of(path, outcome), text=said)


def object_of(path: Path | None, outcome: CalibrationOutcome | None) -> CalibrateObject:
    """Return the contract's object without `schema`."""
    if path is None or outcome is None:
        return {"written": None}
    calibrated, due = outcome.values["calibrated"].isoformat(), outcome.values["due"].isoformat()
    bare = {key: value for key, value in outcome.values.items() if key not in ("calibrated", "due")}
    answer = {"written": str(path), "channel": outcome.channel, **bare, "calibrated": calibrated, "due": due}
    return cast("CalibrateObject", answer)


def _write(path: Path, channel: str, values: Mapping[str, Any]) -> None:
    """Replace what an older calibration wrote; all other keys of the table stay."""
    from verifyrig.bench.folder import change_config
    from verifyrig.bench.text import CALIBRATION_KEYS
    from verifyrig.files.toml_edit import set_keys

    keys = {key: values.get(key) for key in CALIBRATION_KEYS}
    change_config(path, lambda text: set_keys(text, ("channel", channel), keys))


class BenchProbes:
    """The temperature channels of this bench, read without their corrections."""

    def __init__(self, root: Path, config: Mapping[str, Any]) -> None:
        from verifyrig.sensors.bank import open_bank

        # In ice a probe is colder than the room, and nothing is wrong with it.
        self._bank = open_bank(root, _uncorrected(config), in_place=False)
        self._readings = self._bank.sample(self.now_s(), load_share=0.0)

    def channels(self) -> Sequence[str]:
        """Return the temperature channels that can be read, probes before what is built in."""
        from verifyrig.core.channels import is_temperature

        names = [name for name, reading in self._readings.items() if is_temperature(name) and reading.ok]
        return sorted(names, key=lambda name: self._bank.infos[name].driver not in ("text", "modbus", "w1_slave_temp"))

    def read(self, channel: str) -> float:
        """Return the reading, °C, NaN where there is none to be believed now."""
        self._readings = self._bank.sample(self.now_s(), load_share=0.0)
        reading = self._readings[channel]
        return reading.value if reading.ok and reading.value is not None else math.nan

    def resolution_k(self, channel: str) -> float:
        """Return the smallest step, K, 0 where not known."""
        return self._bank.infos[channel].resolution or 0.0

    def now_s(self) -> float:
        """Return the time, s."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)

    def close(self) -> None:
        """Release all sensors."""
        self._bank.close()


def _uncorrected(config: Mapping[str, Any]) -> dict[str, Any]:
    """Return bench.toml as if no probe had been calibrated yet."""
    from verifyrig.bench.text import CALIBRATION_KEYS

    bare = {
        name: {key: value for key, value in table.items() if key not in CALIBRATION_KEYS}
        for name, table in config.get("channel", {}).items()
    }
    return {**config, "channel": bare}
