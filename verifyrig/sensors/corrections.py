"""What a `[channel.NAME]` table of bench.toml says of a probe's correction, applied to what is known of it. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime
from typing import Any

from verifyrig.core.errors import BenchError
from verifyrig.core.interfaces import ChannelInfo

# The keys that a calibration writes.
KEYS = (
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

# Far beyond any correction and its uncertainty; a correction that is not finite would make every reading "no number".
LARGEST = 1000.0


def corrected(info: ChannelInfo, table: Mapping[str, Any], today: date | None) -> ChannelInfo:
    """Return the channel with its correction and uncertainty; an overdue one is wider, and says so.

    Raises:
        BenchError: A value of the table is of the wrong kind.
    """
    if not table:
        return info
    channel = info.channel or ""
    u95 = _number(table, channel, "expanded_uncertainty", info.expanded_uncertainty)
    known = replace(
        info,
        correction=_number(table, channel, "correction", info.correction) or 0.0,
        correction_slope=_number(table, channel, "correction_slope", 0.0) or 0.0,
        correction_at=_number(table, channel, "correction_at", 0.0) or 0.0,
        expanded_uncertainty=u95,
    )
    calibrated, due = (_date(table, channel, key) for key in ("calibrated", "due"))
    if today is None or u95 is None or calibrated is None or due is None or today <= due:
        return known
    return _overdue(known, u95, calibrated, due, today)


def _overdue(info: ChannelInfo, u95: float, calibrated: date, due: date, today: date) -> ChannelInfo:
    from verifyrig.metrology.calibration import widened_when_overdue

    try:
        wider = widened_when_overdue(u95, calibrated=calibrated, due=due, today=today)
    except ValueError as error:
        raise BenchError(
            str(error), where=f"bench.toml, channel.{info.channel}.due", mend="Correct the dates, or calibrate anew."
        ) from error
    note = f"its calibration was due on {due}: the uncertainty is taken as {wider:.2g} instead of {u95:.2g}"
    return replace(info, expanded_uncertainty=wider, note="; ".join(filter(None, (info.note, note))))


def _number(table: Mapping[str, Any], channel: str, key: str, default: float | None) -> float | None:
    value = table.get(key, default)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < LARGEST:
        raise BenchError(
            f"{value!r} is no number that can be meant",
            where=f"bench.toml, channel.{channel}.{key}",
            mend="Write a number in °C, K or W.",
        )
    return float(value)


def _date(table: Mapping[str, Any], channel: str, key: str) -> date | None:
    value = table.get(key)
    if value is None:
        return None
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    try:
        return date.fromisoformat(str(value))
    except ValueError:
        raise BenchError(
            f"{value!r} is no date", where=f"bench.toml, channel.{channel}.{key}", mend="Write it as 2026-03-01."
        ) from None
