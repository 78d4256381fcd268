"""Writes imported samples as a sealed record, like that of any run, and says in it where they come from."""

from __future__ import annotations

import hashlib
import math
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from verifyrig import __version__
from verifyrig.core.ambient import TYPED, AmbientFact, ambient_channel
from verifyrig.core.ceilings import COLDEST_READING_C, HOTTEST_READING_C
from verifyrig.core.channels import quantity_of, unit_of
from verifyrig.core.contract import CauseObject
from verifyrig.core.errors import UsageError
from verifyrig.core.interfaces import Quality, Reading
from verifyrig.core.kept_facts import ChannelFact, EndFacts, StartFacts
from verifyrig.core.outcome import CauseClass, Outcome, StageEnd
from verifyrig.core.profile import Profile, Purpose
from verifyrig.core.reason import reason
from verifyrig.core.trace import FloatArray
from verifyrig.files.csv_cells import smallest_step
from verifyrig.record import new_run_id, open_record
from verifyrig.runs.csv_import import LOAD_SHARE, Imported, with_load
from verifyrig.runs.derived_load import STAGES
from verifyrig.runs.import_words import ChannelColumn, StagePart


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportOrder:
    """What the command line says beside the samples.

    Attributes:
        origin: Name of the file, without its folder.
        data: The file's bytes, for its digest.
        ambient: Typed room temperature, °C, and its expanded uncertainty, K.
        ended: `completed` or `power-off`.
    """

    origin: str
    data: bytes
    channels: Sequence[ChannelColumn]
    stages: Sequence[StagePart]
    ended: str = Outcome.COMPLETED
    ambient: tuple[float, float] | None = None
    profile: Profile | None = None
    job: str | None = None
    unit: str | None = None
    batch: str | None = None
    rework: str | None = None
    purpose: str = Purpose.CHECK
    where: Sequence[tuple[str, str]] = field(default_factory=tuple)


def write_imported(runs_dir: Path, samples: Imported, order: ImportOrder) -> Path:
    """Write the samples as a record of a new run in `runs_dir` and return its path.

    Raises:
        UsageError: A stage lies behind the last sample.
        RecordError: The record cannot be written.
    """
    last_s = float(samples.t_s[-1])
    for stage in order.stages:
        if stage.start_s > last_s:
            raise UsageError(
                f"the stage begins at {stage.start_s:g} s, the last row is at {last_s:g} s",
                where=f"--stage {stage.name}",
                mend="Times of stages are seconds after the first kept row.",
            )
    samples = with_load(samples, order.stages)
    run_id = new_run_id(time.time() if samples.start_utc_s is None else samples.start_utc_s)
    path = runs_dir / f"{run_id}.sqlite"
    text = None if order.profile is None else order.profile.text
    channels = list(samples.columns)
    writer = open_record(path, facts=_facts(run_id, samples, order), profile_text=text, channels=channels, live=False)
    _write(writer, samples, order, last_s)
    for key, value in _ending(order).items():
        writer.fact(key, value)
    writer.close()
    return path


def _facts(run_id: str, samples: Imported, order: ImportOrder) -> StartFacts:
    profile = order.profile
    return {
        "run": run_id,
        "tool_version": __version__,
        "profile_name": profile.name if profile else None,
        "recipe": profile.recipe if profile else None,
        "purpose": order.purpose,
        "job": order.job,
        "unit": order.unit,
        "batch": order.batch,
        "rework": order.rework,
        "simulated": False,
        "started_utc_s": samples.start_utc_s,
        "utc_known": samples.start_utc_s is not None,
        "period_s": float(np.median(np.diff(samples.t_s))) if len(samples.t_s) > 1 else None,
        "ambient": _ambient(order),
        "states": {},
        "machine": {},
        "channels": {
            **({LOAD_SHARE: _derived_channel(samples)} if samples.load_from else {}),
            **{entry.channel: _channel(entry, samples, order) for entry in order.channels},
        },
        "not_armed": [],
        "imported": {
            "file": order.origin,
            "sha256": hashlib.sha256(order.data).hexdigest(),
            "where": [f"{column}={value}" for column, value in order.where],
            "rows_left_out": {str(one.why): one.rows for one in samples.left_out},
            "load_from": samples.load_from or LOAD_SHARE,
            "times": samples.form,
            "date_order": samples.order,
            "units": dict(samples.units),
        },
    }


def _ambient(order: ImportOrder) -> AmbientFact | None:
    if order.ambient is not None:
        return {"value_c": order.ambient[0], "u95_k": order.ambient[1], "source": TYPED}
    named = [entry.channel for entry in order.channels]
    source = ambient_channel(named.__contains__)
    return None if source is None else {"value_c": None, "u95_k": None, "source": source}


def _channel(entry: ChannelColumn, samples: Imported, order: ImportOrder) -> ChannelFact:
    return {
        "label": entry.column,
        "device": f"column {entry.column}",
        "source": order.origin,
        "quantity": quantity_of(entry.channel),
        "unit": unit_of(entry.channel),
        "driver": "import",
        "limit": None,
        "resolution": smallest_step(samples.columns[entry.channel].tolist()),
        "refresh_s": None,
        "expanded_uncertainty": None,
        "correction": 0.0,
        "unreadable": "",
    }


def _derived_channel(samples: Imported) -> ChannelFact:
    """Return what the record says of a share that nobody logged."""
    from_stages = samples.load_from == STAGES
    return {
        "label": "load by the stages named" if from_stages else f"load by {samples.load_from}",
        "device": "derived",
        "source": samples.load_from,
        "quantity": quantity_of(LOAD_SHARE),
        "unit": unit_of(LOAD_SHARE),
        "driver": "import",
        "unreadable": "",
    }


def _write(writer: Any, samples: Imported, order: ImportOrder, last_s: float) -> None:
    base_s = samples.start_utc_s or 0.0
    for stage in order.stages:
        writer.stage_started(stage.name, stage.kind, stage.start_s)
        cut_short = stage.end_s > last_s
        # The end is exclusive, and a trace counts both ends: the next smaller number leaves a sample at END out.
        end_s = last_s if cut_short else math.nextafter(stage.end_s, 0.0)
        off = cut_short and order.ended == CauseClass.POWER_OFF
        writer.stage_ended(stage.name, end_s, StageEnd.INTERRUPTED if off else StageEnd.TIME)
    for t_s, readings in zip(samples.t_s.tolist(), _readings(samples.columns), strict=True):
        writer.sample(t_s, base_s + t_s, readings)


def _readings(columns: Mapping[str, FloatArray]) -> list[dict[str, Reading]]:
    names = list(columns)
    rows = zip(*(columns[name].tolist() for name in names), strict=True)
    return [{name: _reading(name, value) for name, value in zip(names, row, strict=True)} for row in rows]


def _reading(channel: str, value: float) -> Reading:
    if math.isnan(value):
        note = "nothing shows the load here" if channel == LOAD_SHARE else "the file has no reading here"
        return Reading(value=None, quality=Quality.MISSING, note=note)
    odd = why_implausible(channel, value)
    return Reading(value=value) if odd is None else Reading(value=value, quality=Quality.IMPLAUSIBLE, note=odd)


def why_implausible(channel: str, value: float) -> str | None:
    """Return why the value cannot be a reading of the channel, None where it can or there is none (NaN)."""
    quantity = quantity_of(channel)
    if quantity == "temperature" and (value < COLDEST_READING_C or value > HOTTEST_READING_C):
        return "no part of a computer has this temperature"
    if quantity not in ("temperature", "voltage") and value < 0:
        return f"a {quantity} below zero"
    return None


def _ending(order: ImportOrder) -> EndFacts:
    if order.ended == Outcome.COMPLETED:
        return {"outcome": Outcome.COMPLETED, "cause": None, "trip": None}
    why = reason("said-by-importer")
    cause: CauseObject = {"class": CauseClass.POWER_OFF, "why": [str(why)]}
    return {"outcome": Outcome.INTERRUPTED, "cause": cause, "cause_reasons": [why.as_json()], "trip": None}
