"""A stick that is pulled and plugged in again in mid-run: the record goes on in memory, and is whole afterwards."""

from __future__ import annotations

from pathlib import Path

import pytest

from verifyrig.core.errors import RecordError
from verifyrig.core.interfaces import Quality, Reading
from verifyrig.record import open_record, read_trace
from verifyrig.record.check import check_record
from verifyrig.record.pullable import PullableConnection, write_back
from verifyrig.record.writer import LiveWriter


class PulledStick:
    """A folder that can be away; what was open on it then writes into nothing, as into a pulled stick's cache."""

    def __init__(self, folder: Path) -> None:
        self.place, self._hidden = folder / "bench", folder / "pulled"
        self.place.mkdir(parents=True)
        self.there = True

    def pull(self) -> None:
        self.there = False
        self.place.rename(self._hidden)

    def plug(self) -> None:
        self._hidden.rename(self.place)
        self.there = True


def begin(stick: PulledStick, memory: Path) -> LiveWriter:
    return open_record(
        stick.place / "runs/r1.sqlite",
        facts={"run": "r1", "period_s": 1.0, "outcome": "completed"},
        profile_text=None,
        channels=["die_temp_c"],
        live=True,
        connect=lambda path: PullableConnection(path, memory / "r1.sqlite", is_there=lambda: stick.there),
    )


def put(writer: LiveWriter, first: int, last: int) -> None:
    for n in range(first, last):
        reading = Reading(value=40.0 + n, quality=Quality.OK, age_s=0.0)
        writer.sample(float(n), 1.7e9 + n, {"die_temp_c": reading})
        assert writer.wait_until_durable(n + 1, 60.0)


def values(path: Path) -> list[float]:
    return [float(value) for value in read_trace(path).columns["die_temp_c"]]


@pytest.mark.parametrize("back", ["in mid-run", "after its end"])
def test_nothing_of_a_run_is_lost_while_the_stick_is_away(
    back: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("verifyrig.record.pullable._LOOK_EVERY_S", 0.0)
    stick, memory = PulledStick(tmp_path), tmp_path / "memory"
    writer = begin(stick, memory)
    put(writer, 0, 5)
    assert not writer.is_away and writer.path == stick.place / "runs/r1.sqlite"
    stick.pull()
    put(writer, 5, 9)
    assert writer.is_away and writer.path == memory / "r1.sqlite"
    if back == "in mid-run":
        stick.plug()
        put(writer, 9, 12)
        assert not writer.is_away
        writer.close()
    else:
        put(writer, 9, 12)
        writer.close()
        assert values(writer.path) == [40.0 + n for n in range(12)]
        stick.plug()
        assert write_back(memory) == [stick.place / "runs/r1.sqlite"]
    assert list(memory.iterdir()) == []
    whole = check_record(stick.place / "runs/r1.sqlite")
    assert whole.altered is None and not whole.damage
    assert values(stick.place / "runs/r1.sqlite") == [40.0 + n for n in range(12)]
    assert [path.name for path in (stick.place / "runs").iterdir()] == ["r1.sqlite"]


def test_a_stick_that_is_there_and_takes_nothing_is_a_fault_as_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("verifyrig.record.pullable._NOTICED_S", 0.1)
    stick = PulledStick(tmp_path)
    writer = begin(stick, tmp_path / "memory")
    put(writer, 0, 2)
    twin = writer._store._connection
    assert isinstance(twin, PullableConnection) and twin._far is not None
    twin._far.close()  # every further write on it fails
    writer.sample(2.0, 1.7e9, {})
    with pytest.raises(RecordError):
        writer.close()
