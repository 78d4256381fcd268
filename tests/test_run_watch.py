"""What a run says by the way."""

from __future__ import annotations

import math

import pytest

from verifyrig.core.interfaces import Reading
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.rig.stage_notes import TouchWatch, busy_while_idle


class Cooldown:
    """A watch of a cooldown and the samples that it reads."""

    def __init__(self) -> None:
        self.buffer = RunBuffer()
        self.watch = TouchWatch(self.buffer)

    def take(self, t_s: float, **temps_c: float) -> str:
        self.buffer.add(t_s, {name: Reading(value=value) for name, value in temps_c.items()}, ambient_c=25.0)
        found = self.watch.newly_known()
        return "" if found is None else str(found)


def test_background_load_during_an_idle_stage_is_reported() -> None:
    buffer = RunBuffer()
    for t in range(20):
        buffer.add(float(t), {"busy_share": Reading(value=0.4 if t < 10 else 0.02)})
    assert busy_while_idle(buffer, 0) == pytest.approx(0.21)
    assert busy_while_idle(buffer, 10) is None


def test_a_cooldown_says_when_the_plate_may_be_touched_and_is_right_within_a_minute() -> None:
    # Closed form of one lump: 70 °C towards 25 °C with 200 s reaches 48 °C after 200 ln(45/23) = 134 s.
    watch = Cooldown()
    said = {t: text for t in range(200) if (text := watch.take(t, plate_temp_c=25 + 45 * math.exp(-t / 200)))}
    first = min(said)
    assert "about" in said[first] and "estimated; check before touching" in said[first]
    commanded_s = first + 60 * float(said[first].split("about ")[1].split()[0])
    assert abs(commanded_s - 200 * math.log(45 / 23)) <= 60
    assert any("is below 48" in text for t, text in said.items() if t >= 134)


def test_a_part_that_was_never_hot_is_not_talked_about() -> None:
    watch = Cooldown()
    assert not any(watch.take(t, plate_temp_c=30.0) for t in range(100))


def test_a_part_that_still_warms_is_not_promised_to_cool() -> None:
    watch = Cooldown()
    texts = [watch.take(t, plate_temp_c=50 + 0.1 * t) for t in range(100)]
    assert not any(texts)


def test_a_part_may_be_touched_only_when_the_hottest_of_its_kind_is_cool() -> None:
    watch, said = Cooldown(), []
    for t in range(300):
        first, second = 25 + 45 * math.exp(-t / 50), 80 - 0.05 * t
        said.append(watch.take(t, die_temp_c=first, die_2_temp_c=second))
    assert not any("is below" in sentence for sentence in said)


def test_a_second_cooldown_is_told_by_its_own_samples_alone() -> None:
    # Between the two cooldowns lies a load that nobody asks the watch about; it ends at 120 °C.
    watch = Cooldown()
    for t in range(30):
        watch.take(t, plate_temp_c=60.0 - 0.1 * t)
    for t in range(30, 60):
        watch.buffer.add(float(t), {"plate_temp_c": Reading(value=120.0)})
    said = [text for t in range(60, 120) if (text := watch.take(t, plate_temp_c=70.0 - 0.2 * (t - 60)))]
    # 0.2 K/s from 67 °C: at its first sentence, 15 s later at the soonest, 48 °C lie less than 2 min ahead.
    assert said and "in about 2 min" in said[0]
