"""Short sentences and safe text for a terminal. Pure."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping

from verifyrig.analysis import Forecast
from verifyrig.core.channels import THERMAL_PATH, base_name, number_of, of_role
from verifyrig.core.heat_sources import CARD, DIE, heated_by
from verifyrig.core.interfaces import Reading
from verifyrig.core.profile import Profile


def clock(seconds: float) -> str:
    """Return a duration as minutes and seconds: 252 s is `4:12`."""
    whole = max(0, round(seconds))
    return f"{whole // 60}:{whole % 60:02d}"


def question_words(profile: Profile) -> str:
    """Return how often somebody is asked during a run, a sentence with a blank before it; empty for never."""
    every_s = profile.ask_presence_every_s
    return "" if every_s is None else f" Under load somebody is asked who is here, every {clock(every_s)}."


def until_words(until_end_s: float | None, until_question_s: float | None) -> str:
    """Return how long nobody has to look, at most; empty where that is not known."""
    if until_question_s is not None:
        return f"next question in {clock(until_question_s)}" + (
            f", at most {clock(until_end_s)} until the end" if until_end_s is not None else ""
        )
    return "" if until_end_s is None else f"at most {clock(until_end_s)} until the end"


def part_word(channel: str) -> str:
    """Return the part that a temperature is of, as it is called on a screen: `die_2_temp_c` is `die 2`."""
    n = number_of(channel)
    word = base_name(channel).removesuffix("_temp_c").replace("_", " ")
    return f"{word} {n}" if n > 1 else word


def forecast_sentence(forecast: Forecast | None, channel: str = "") -> str:
    """Return where the temperature will settle, in one sentence; empty while nothing can be said.

    Args:
        forecast: Where it will settle.
        channel: The temperature; a further one of its kind is named.
    """
    if forecast is None:
        return ""
    whose = f"{part_word(channel)} " if number_of(channel) > 1 else ""
    # In whole degrees nothing is known better than to one.
    sentence = f"{whose}settles at {forecast.settles_at_c:.0f} ± {max(1.0, forecast.u95_k):.0f} °C"
    if forecast.slow:
        sentence += ", and it is slower than the profile allows for"
    if forecast.known:
        return f"{sentence}, known"
    if forecast.remaining_s is not None:
        return f"{sentence}, known in about {clock(forecast.remaining_s)}"
    return sentence


def margin_sentence(margin_k: float | None, channel: str = "") -> str:
    """Return the kelvin left to the nearest trip limit, and whose it is."""
    if margin_k is None:
        return "no trip limit on a temperature is armed"
    whose = f" ({part_word(channel)})" if channel else ""
    if margin_k < 0:
        return f"{-margin_k:.0f} K above the trip limit{whose}"
    return f"{margin_k:.0f} K left to the trip limit{whose}"


def temp_word(reading: Reading | None) -> str:
    """Return a temperature as it is shown, its quality in words where it is not to be believed."""
    if reading is None:
        return "not measured"
    if reading.ok and reading.value is not None:
        return f"{reading.value:.0f} °C"
    return reading.quality.value


def main_channel(profile: Profile, names: Collection[str]) -> str:
    """Return the temperature that a run is about: the graphics card's where the load is on it, else the die's."""
    on_card = any(CARD.temp in heated_by(stage.load.work) for stage in profile.stages if stage.load is not None)
    order = (CARD.temp, DIE.temp) if on_card else (DIE.temp, CARD.temp)
    return next((name for name in (*order, "plate_temp_c") if name in names), "")


def hottest_of(channel: str, readings: Mapping[str, Reading]) -> str:
    """Return the channel of a kind that reads most; the first where none reads."""
    names = of_role(channel, readings)
    return max(names, key=lambda name: _value_or_less(readings[name]), default=channel)


def _value_or_less(reading: Reading) -> float:
    return reading.value if reading.ok and reading.value is not None else -math.inf


def thermal_path(readings: Mapping[str, Reading]) -> list[tuple[str, float | None, str]]:
    """Return the thermal path, room first: place, temperature °C or None, word; only places with a channel.

    Of several dies or cards the hottest is shown, by name.
    """
    path = []
    for place, names in THERMAL_PATH:
        name = next((n for n in names if n in readings), None)
        if name is not None:
            name = hottest_of(name, readings) if name == DIE.temp else name
            reading = readings[name]
            path.append((_numbered(place, name), reading.value if reading.ok else None, temp_word(reading)))
    if DIE.temp not in readings and CARD.temp in readings:
        # Where the die shows nothing, the card is compared with the room.
        name = hottest_of(CARD.temp, readings)
        reading = readings[name]
        path.append((_numbered("graphics", name), reading.value if reading.ok else None, temp_word(reading)))
    return path


def _numbered(place: str, channel: str) -> str:
    n = number_of(channel)
    return f"{place} {n}" if n > 1 else place
