"""The words of a report: sentences from the catalogue, numbers and dates in the form of the language."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from verifyrig.core.reason import DURATION
from verifyrig.files.time_zone import UTC_NAME, zone_of
from verifyrig.report.catalogue import SOURCE_LANGUAGE, Catalogue, read_catalogue
from verifyrig.report.inputs import Settings

_LARGEST_WRITTEN_OUT = 1e15  # beyond it the digits are no longer those that were measured
_LOCALES = {"en": "en_GB", "de": "de_DE"}
_SMALL_UNITS = {"1": "", "°C": " °C"}


LACKING = " [en]"
"""Behind an English text that stands in a page of another language, for its catalogue lacks it."""


class Foreign(str):
    """An English text that stands in a report of another language, and is marked so on the page."""

    __slots__ = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """Language, temperature unit and time zone (by its name in the tz database), and what follows from them."""

    language: str = "en"
    temperature_unit: str = "°C"
    time_zone: str = UTC_NAME
    catalogue: Catalogue = field(default_factory=lambda: Catalogue({}, {}, {}), repr=False)

    @property
    def locale(self) -> str:
        """Locale by which numbers and dates are formed."""
        return _LOCALES.get(self.language, self.language)

    def t(self, text: str, /, **values: Any) -> str:
        """Return the text in the report's language, with `values` in its braces."""
        said = self.catalogue.texts.get(text) or self.lacking(text)
        return said.format(**values) if values else said

    def n(self, one: str, many: str, count: int, /, **values: Any) -> str:
        """Return the form of the text that fits `count`, which is `{count}` in it."""
        forms = self.catalogue.plurals.get((one, many))
        if forms is None:
            said = self.lacking(one if count == 1 else many)
        else:
            said = forms[min(self.catalogue.plural(abs(count)), len(forms) - 1)]
        return said.format(count=self.number(count), **values)

    def lacking(self, text: str) -> str:
        """Return an English text that the catalogue lacks, marked, so that nobody takes it for a translation."""
        return text if self.language == SOURCE_LANGUAGE else text + LACKING

    def known(self, text: str) -> str:
        """Return a word that may be in the catalogue, unchanged where it is not (names from outside)."""
        return self.catalogue.texts.get(text, text)

    def translated(self, text: str) -> str:
        """Return an English text of another part of the program in the report's language.

        One that the catalogue does not know stays as it is, marked `Foreign`.
        """
        known = self.language == SOURCE_LANGUAGE or text in self.catalogue.texts
        return self.known(text) if known else Foreign(text)

    def formed(self, value: float, form: str) -> str:
        """Return a number of a sentence in the form of the language, with the digits that its format asks for."""
        from babel.numbers import format_percent

        if form == DURATION:
            return self.duration(value)
        if form.endswith("%"):
            places = int(form.strip(".%") or 0)
            rounded = round(value, places + 2) + 0.0
            return str(format_percent(rounded, locale=self.locale, decimal_quantization=False))
        shown = format(value, form)
        if "e" in shown or "n" in shown:
            return shown
        return ("+" if shown.startswith("+") else "") + self.number(float(shown), len(shown.partition(".")[2]))

    def number(self, value: float, decimals: int = 0) -> str:
        """Return the number with that many decimals, and a true minus sign; no sign on zero."""
        from babel.numbers import format_decimal

        if not abs(value) < _LARGEST_WRITTEN_OUT:
            return f"{value:.3g}".replace("-", "\u2212")
        rounded = round(value, decimals) + 0.0
        pattern = "#,##0" + ("." + "0" * decimals if decimals > 0 else "")
        text: str = format_decimal(rounded, format=pattern, locale=self.locale)
        return text.replace("-", "\u2212")

    def temperature(self, celsius: float, u95_k: float | None = None, decimals: int | None = None) -> str:
        """Return a temperature given in °C, in the report's unit."""
        return self.quantity(celsius, "°C", u95_k, decimals)

    def difference(self, kelvin: float, u95_k: float | None = None, decimals: int | None = None) -> str:
        """Return a difference of temperatures given in K; in °F where the report is in °F."""
        return self.quantity(kelvin, "K", u95_k, decimals)

    def quantity(self, value: float | None, unit: str, u95: float | None = None, decimals: int | None = None) -> str:
        """Return "68.2 ± 1.1 °C"; the uncertainty has two significant digits, and the value as many decimals.

        Source of the rounding: JCGM 100:2008, 7.2.6.
        """
        if value is None or not math.isfinite(value):
            return self.t("not measured")
        value, u95, unit = self.converted(value, u95, unit)
        if u95 is not None and math.isfinite(u95) and u95 > 0:
            places = _places_of_uncertainty(u95) if decimals is None else decimals
            text = f"{self.number(value, places)} ± {self.number(u95, places)}"
        else:
            text = self.number(value, _places_of_value(value, unit) if decimals is None else decimals)
        return text + self.unit_suffix(unit)

    def converted(self, value: float, u95: float | None, unit: str) -> tuple[float, float | None, str]:
        """Return value, uncertainty and unit in what the report speaks: °C and K may become °F, a share %."""
        if self.temperature_unit == "°F" and unit in ("°C", "K", "K/s"):
            shift = 32.0 if unit == "°C" else 0.0
            wide = None if u95 is None else u95 * 1.8
            return value * 1.8 + shift, wide, "°F/s" if unit == "K/s" else "°F"
        return value, u95, unit

    def unit_suffix(self, unit: str) -> str:
        """Return the unit with the narrow space before it that keeps both on one line; empty for counts."""
        if unit in ("", "1"):
            return ""
        return "\u202f" + ("1/min" if unit == "rpm" else unit)

    def share(self, value: float, u95: float | None = None) -> str:
        """Return a share of 1 as per cent."""
        return self.quantity(value * 100, "%", None if u95 is None else u95 * 100)

    def duration(self, seconds: float) -> str:
        """Return "38 s", "12 min 30 s" or "1 h 05 min"."""
        whole = max(0, round(seconds))
        if whole < 120:
            return f"{whole}\u202fs"
        minutes, over_s = divmod(whole, 60)
        if minutes < 60:
            return f"{minutes}\u202fmin" + (f" {over_s:02d}\u202fs" if over_s else "")
        hours, minutes = divmod(minutes, 60)
        return f"{hours}\u202fh" + (f" {minutes:02d}\u202fmin" if minutes else "")

    def date(self, utc_s: float | None) -> str:
        """Return the day, in the report's time zone."""
        if utc_s is None:
            return self.t("date not noted")
        from babel.dates import format_date

        day: str = format_date(self.local(utc_s).date(), format="long", locale=self.locale)
        return day

    def local(self, utc_s: float) -> datetime:
        """Return a time in the report's time zone."""
        return datetime.fromtimestamp(utc_s, zone_of(self.time_zone))

    def day(self, iso: str) -> str:
        """Return a day written as ISO in the form of the language; any other text unchanged."""
        from babel.dates import format_date

        try:
            return str(format_date(datetime.fromisoformat(iso).date(), format="long", locale=self.locale))
        except ValueError:
            return iso

    def moment(self, utc_s: float | None) -> str:
        """Return day and time of day in the report's time zone, with its offset from UTC."""
        if utc_s is None:
            return self.t("time not noted")
        from babel.dates import format_skeleton

        when = self.local(utc_s)
        offset = when.isoformat(timespec="seconds")[19:] if when.utcoffset() else ""
        # Without its zone the time is written as it stands.
        day: str = format_skeleton("yMMMd", when.replace(tzinfo=None), locale=self.locale)
        return f"{day}, {when:%H:%M} UTC{offset}"

    def listed(self, parts: list[str]) -> str:
        """Return "a, b and c"."""
        from babel.lists import format_list

        text: str = format_list(parts, locale=self.locale) if parts else ""
        return text


def words_for(language: str, temperature_unit: str = "°C", time_zone: str = UTC_NAME) -> Words:
    """Return the words of a language; English where there is no catalogue of that language."""
    catalogue = read_catalogue(language)
    return Words(language=language, temperature_unit=temperature_unit, time_zone=time_zone, catalogue=catalogue)


def words_of(settings: Settings) -> Words:
    """Return the words that the settings ask for."""
    return words_for(settings.language, settings.temperature_unit, settings.time_zone)


def _places_of_uncertainty(u95: float) -> int:
    return max(0, min(6, 1 - math.floor(math.log10(u95))))


def _places_of_value(value: float, unit: str) -> int:
    if unit in ("°C", "°F", "K", "W"):
        return 1
    if unit in ("rpm", "MHz") or float(value).is_integer():
        return 0
    return 2 if abs(value) >= 0.1 else 3
