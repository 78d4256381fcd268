"""What a `[channel.NAME]` table of bench.toml says of a probe's correction, applied to what is known of it. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime
from typing import Any

from verifyrig.core.interfaces import ChannelInfo


def corrected(info: ChannelInfo, table: Mapping[str, Any], today: date | None) -> ChannelInfo:
    """Return the channel with its correction and uncertainty; an overdue one is wider, and says so.

    The table is as `bench.text.read_bench` passes it.
    """
    if not table:
        return info
    u95 = table.get("expanded_uncertainty", info.expanded_uncertainty)
    known = replace(
        info,
        correction=table.get("correction", info.correction),
        correction_slope=table.get("correction_slope", 0.0),
        correction_at=table.get("correction_at", 0.0),
        expanded_uncertainty=u95,
    )
    calibrated, due = (_date(table, key) for key in ("calibrated", "due"))
    if today is None or u95 is None or calibrated is None or due is None or today <= due:
        return known
    return _overdue(known, u95, calibrated, due, today)


def _overdue(info: ChannelInfo, u95: float, calibrated: date, due: date, today: date) -> ChannelInfo:
    from verifyrig.metrology.calibration import widened_when_overdue

    wider = widened_when_overdue(u95, calibrated=calibrated, due=due, today=today)
    note = f"its calibration was due on {due}: the uncertainty is taken as {wider:.2g} instead of {u95:.2g}"
    return replace(info, expanded_uncertainty=wider, note="; ".join(filter(None, (info.note, note))))


def _date(table: Mapping[str, Any], key: str) -> date | None:
    value = table.get(key)
    if isinstance(value, datetime):
        return value.date()
    return date.fromisoformat(value) if isinstance(value, str) else value
