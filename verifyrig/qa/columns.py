"""From runs to columns of runs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from verifyrig.core.run_columns import Coded, FigureColumn, RunColumns
from verifyrig.qa.unit_run import UnitFigure, UnitRun

__all__ = ["columns_of"]

_NO_FIGURE = UnitFigure(None, None, "")


def columns_of(runs: Sequence[UnitRun], names: Iterable[str] = ()) -> RunColumns:
    """Return these runs as columns, with the figures of the metrics named."""
    return RunColumns(
        run=tuple(run.run for run in runs),
        unit=Coded.of(run.unit for run in runs),
        batch=Coded.of(run.batch for run in runs),
        model=Coded.of(run.model for run in runs),
        bench=Coded.of(run.bench for run in runs),
        board=Coded.of(run.board for run in runs),
        recipe=Coded.of(run.recipe for run in runs),
        version=Coded.of(run.version for run in runs),
        rework=Coded.of(run.rework for run in runs),
        outcome=Coded.of(run.outcome for run in runs),
        cause=Coded.of(run.cause for run in runs),
        states=Coded.of(tuple(run.states.items()) for run in runs),
        refused=Coded.of(run.refused for run in runs),
        broken=np.array([run.broken for run in runs], dtype=np.bool_),
        lost_power=np.array([run.lost_power for run in runs], dtype=np.bool_),
        simulated=np.array([run.simulated for run in runs], dtype=np.bool_),
        started_utc_s=np.array([run.started_utc_s for run in runs], dtype=np.float64),
        ambient_c=_numbers([run.ambient_c for run in runs]),
        figures={name: _figure_column([run.metrics.get(name, _NO_FIGURE) for run in runs]) for name in names},
    )


def _figure_column(figures: Sequence[UnitFigure]) -> FigureColumn:
    return FigureColumn(
        unit=next((figure.unit for figure in figures if figure is not _NO_FIGURE), ""),
        values=_numbers([figure.value for figure in figures]),
        u95=_numbers([figure.u95 for figure in figures]),
        may_pass=np.array([not figure.why_no_pass for figure in figures], dtype=np.bool_),
    )


def _numbers(values: Sequence[float | None]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)
