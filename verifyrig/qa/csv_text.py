"""The findings as CSV: one line for each attempt, one column for each metric. No cell runs in a spreadsheet."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime

from verifyrig.core.plain_text import plain_cell
from verifyrig.qa.findings import QaFinding
from verifyrig.qa.units import UnitFigure

__all__ = ["as_csv"]


def as_csv(found: QaFinding) -> str:
    """Return the table as text with CRLF line ends (RFC 4180), left-out runs at its end with their reason."""
    out = io.StringIO()
    writer = csv.writer(out)
    names = list(found.metrics)
    units = {name: metric.unit for name, metric in found.metrics.items()}
    heads = [f"{name} ({units[name]})" if units[name] not in ("", "1") else name for name in names]
    fixed = ["unit", "batch", "model", "bench", "operator", "run", "started (UTC)", "rework", "attempt", "of"]
    fixed += ["outcome", "room (°C)", "verdict", "left out"]
    fixed.append("hardware")
    writer.writerow([*fixed, *(column for head in heads for column in (head, f"{head} u95"))])
    for attempt in found.attempts:
        run = attempt.run
        started = datetime.fromtimestamp(run.started_utc_s, UTC).strftime("%Y-%m-%d %H:%M:%S")
        whose = [run.unit, run.batch or "", run.model or "", run.bench or "", run.operator or ""]
        cells = [*whose, run.run, started, run.rework]
        figures = [cell for name in names for cell in _cells(run.metrics.get(name))]
        judged = [run.outcome, _number(run.ambient_c), str(found.run_verdicts[run.run]), ""]
        judged.append("simulated hardware" if run.simulated else "real")
        writer.writerow([*map(plain_cell, cells), attempt.number, attempt.of, *judged, *figures])
    for item in found.sorted.left_out:
        cells = [item.unit, "", "", "", "", item.run]
        writer.writerow([*map(plain_cell, cells), *[""] * 7, plain_cell(item.why), *[""] * (1 + 2 * len(names))])
    return out.getvalue()


def _cells(figure: UnitFigure | None) -> tuple[str, str]:
    return ("", "") if figure is None else (_number(figure.value), _number(figure.u95))


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.7g}"
