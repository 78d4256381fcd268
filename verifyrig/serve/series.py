"""The course of a run as a picture needs it: few enough points of each temperature, however long the run lasts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

_MOST_POINTS = 900


class Series:
    """Temperatures by channel over the run's time. One row a sample that is kept; older ones grow sparser."""

    def __init__(self, channels: Sequence[str]) -> None:
        self._places = [(n, name) for n, name in enumerate(channels, start=2) if name.endswith("_temp_c")]
        self.t_s: list[float] = []
        self.values: dict[str, list[float | None]] = {name: [] for _, name in self._places}
        self.newest: dict[str, float | None] = {}
        self._channels = tuple(channels)
        self._stride = 1
        self._seen = 0

    def add(self, rows: Iterable[Sequence[float | None]]) -> None:
        """Take rows of a record: t_s, utc_s and one value a channel."""
        row: Sequence[float | None] = ()
        for row in rows:
            self._seen += 1
            if self._seen % self._stride:
                continue
            self.t_s.append(float(row[0] or 0.0))
            for place, name in self._places:
                self.values[name].append(row[place])
            if len(self.t_s) > _MOST_POINTS:
                self._thin()
        if row:
            self.newest = dict(zip(self._channels, row[2:], strict=True))

    def _thin(self) -> None:
        self._stride *= 2
        self.t_s = self.t_s[1::2]
        self.values = {name: values[1::2] for name, values in self.values.items()}
