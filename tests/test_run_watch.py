"""What a run says by the way."""

from __future__ import annotations

import math

from verifyrig.core.interfaces import Reading
from verifyrig.rig.stage_notes import RestWatch, TouchWatch


def busy(share: float) -> dict[str, Reading]:
    return {"busy_share": Reading(value=share)}


def test_a_rest_that_others_keep_busy_is_said() -> None:
    watch = RestWatch()
    for _ in range(10):
        watch.sample(busy(0.4))
    assert watch.disturbed() is not None
    for _ in range(10):
        watch.sample(busy(0.02))
    assert watch.disturbed() is None


def test_a_cooldown_says_when_the_plate_may_be_touched_and_is_right_within_a_minute() -> None:
    # Closed form of one lump: 70 °C towards 25 °C with 200 s reaches 48 °C after 200 ln(45/23) = 134 s.
    watch = TouchWatch()
    said = {
        t: text
        for t in range(200)
        if (text := watch.sample(t, {"plate_temp_c": Reading(value=25 + 45 * math.exp(-t / 200))}, 25.0))
    }
    first = min(said)
    assert "about" in said[first] and "estimated; check before touching" in said[first]
    told_s = first + 60 * float(said[first].split("about ")[1].split()[0])
    assert abs(told_s - 200 * math.log(45 / 23)) <= 60
    assert any("is below 48" in text for t, text in said.items() if t >= 134)


def test_a_part_that_was_never_hot_is_not_talked_about() -> None:
    watch = TouchWatch()
    assert not any(watch.sample(t, {"plate_temp_c": Reading(value=30.0)}, 25.0) for t in range(100))


def test_a_part_that_still_warms_is_not_promised_to_cool() -> None:
    watch = TouchWatch()
    texts = [watch.sample(t, {"plate_temp_c": Reading(value=50 + 0.1 * t)}, 25.0) for t in range(100)]
    assert not any(texts)


def test_a_part_may_be_touched_only_when_the_hottest_of_its_kind_is_cool() -> None:
    watch, said = TouchWatch(), []
    for t in range(300):
        first, second = 25 + 45 * math.exp(-t / 50), 80 - 0.05 * t
        said.append(watch.sample(t, {"die_temp_c": Reading(value=first), "die_2_temp_c": Reading(value=second)}, 25.0))
    assert not any("is below" in sentence for sentence in said)
