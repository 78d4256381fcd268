"""The line as it stands: what was ordered and measured, what is missing, doubled or held; as object and as lines."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from verifyrig.core.plain_text import plain_line
from verifyrig.line.contract import DoubledUnit, LineObject, LineUnit, TrailObject
from verifyrig.line.state import LineState
from verifyrig.metrology.verdict import Verdict
from verifyrig.runs.units_seen import SeenUnit

__all__ = ["STUDIED", "doubled_units", "line_lines", "line_object", "trail_object"]

# States that a gauge study changes from run to run: such a run is another one on purpose.
STUDIED = ("remount", "repeat", "person")
_MOST_LINES = 40
# A board that so many names share has a serial that is none: makers ship boards with one for all (common practice).
_NAMES_OF_NO_SERIAL = 3


def trail_object(state: LineState) -> TrailObject:
    """Return how long the trail is, and how it ends."""
    return {"entries": state.entries, "digest": state.digest}


def line_object(
    state: LineState,
    seen: Sequence[SeenUnit],
    verdicts: Mapping[str, Verdict],
    golden: Collection[str],
    batch: str | None = None,
) -> LineObject:
    """Return the line, or one batch of it.

    Args:
        verdicts: By run.
        golden: Kept machines, which are measured again and again and are no units of an order.
    """
    own = [one for one in seen if one.unit not in golden and batch in (None, one.batch)]
    units: list[LineUnit] = []
    met: set[str] = set()
    for order in state.orders.values():
        if batch not in (None, order.batch):
            continue
        runs = [one for one in own if one.unit == order.unit and order.batch in (None, one.batch)]
        met.update(one.run for one in runs)
        held = state.hold_of(order.unit, order.batch) is not None
        units.append(
            {
                "order": order.order,
                "unit": order.unit,
                "batch": order.batch,
                "profile": order.profile,
                "parts": order.parts,
                "state": "held" if held else "measured" if any(one.completed for one in runs) else "missing",
                "runs": [one.run for one in runs],
                "verdict": verdicts.get(runs[-1].run) if runs else None,
            }
        )
    return {
        "units": units,
        "missing": [_name(one["unit"], one["batch"]) for one in units if not one["runs"]],
        "doubled": doubled_units(own),
        "without_order": list(dict.fromkeys(_name(one.unit, one.batch) for one in own if one.run not in met)),
        "held": [hold for hold in state.holds.values() if batch in (None, hold["batch"])],
        "trail": trail_object(state),
    }


def doubled_units(seen: Sequence[SeenUnit]) -> list[DoubledUnit]:
    """Return units measured to their end again without a reason, and boards measured under two names."""
    found: list[DoubledUnit] = []
    ends: dict[tuple[str | None, str, str | None], list[SeenUnit]] = {}
    boards: dict[str, list[SeenUnit]] = {}
    for one in seen:
        if one.completed and not one.rework and not set(STUDIED) & set(one.states):
            ends.setdefault((one.batch, one.unit, one.recipe), []).append(one)
        if one.board is not None:
            boards.setdefault(one.board, []).append(one)
    for (batch, unit, _), runs in ends.items():
        if len(runs) > 1:
            found.append({"code": "measured-twice", "unit": unit, "batch": batch, "runs": [one.run for one in runs]})
    for runs in boards.values():
        names = dict.fromkeys((one.batch, one.unit) for one in runs)
        if 1 < len(names) < _NAMES_OF_NO_SERIAL and not any(one.rework for one in runs):
            last = runs[-1]
            found.append(
                {
                    "code": "board-under-two-names",
                    "unit": last.unit,
                    "batch": last.batch,
                    "runs": [one.run for one in runs],
                }
            )
    return found


def _name(unit: str, batch: str | None) -> str:
    return unit if batch is None else f"{batch}/{unit}"


def line_lines(found: LineObject) -> list[str]:
    """Return the line in words; what is in order comes last and in one line."""
    units = found["units"]
    done = sum(1 for one in units if one["state"] == "measured")
    counts = f"{done} measured, {len(found['missing'])} missing, {len(found['held'])} holds"
    lines = [f"{len(units)} units ordered, {counts}."]
    lines += _listed("missing", [plain_line(name, 60) for name in found["missing"]])
    lines += _listed("without an order", [plain_line(name, 60) for name in found["without_order"]])
    words = {"measured-twice": "measured again without a reason", "board-under-two-names": "one board, two names"}
    lines += _listed(
        "DOUBLED",
        [f"{plain_line(_name(one['unit'], one['batch']), 60)} ({words[one['code']]})" for one in found["doubled"]],
    )
    for hold in found["held"]:
        what = f"batch {hold['batch']}" if hold["unit"] is None else _name(hold["unit"], hold["batch"])
        lines.append(f"HELD {plain_line(what, 60)}: {plain_line(hold['why'], 200)} ({plain_line(hold['by'], 60)})")
    failed = [one for one in units if one["verdict"] in (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)]
    lines += _listed("failed", [plain_line(_name(one["unit"], one["batch"]), 60) for one in failed])
    if found["trail"]["digest"] is not None:
        lines.append(f"trail: {found['trail']['entries']} entries, the last {found['trail']['digest']}")
    return lines


def _listed(what: str, names: Sequence[str]) -> list[str]:
    if not names:
        return []
    more = f" and {len(names) - _MOST_LINES} more" if len(names) > _MOST_LINES else ""
    return [f"{what}: {', '.join(names[:_MOST_LINES])}{more}"]
