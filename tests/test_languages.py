"""A language is a catalogue and nothing else: what it says stands on the page, what it lacks is marked."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import report_inputs as ri
from verifyrig.core.reason import reason
from verifyrig.report import catalogue
from verifyrig.report.catalogue import display_name, languages, read_catalogue
from verifyrig.report.reasons import reason_text
from verifyrig.report.render import render
from verifyrig.report.wording import LACKING, words_for

# The plural rule of Polish is that of the GNU gettext manual, "Additional functions for plural forms".
POLISH = """\
msgid ""
msgstr ""
"Language: pl\\n"
"MIME-Version: 1.0\\n"
"Content-Type: text/plain; charset=utf-8\\n"
"Content-Transfer-Encoding: 8bit\\n"
"Plural-Forms: nplurals=3; plural=(n==1 ? 0 : n%10>=2 && n%10<=4 && (n%100<10 || n%100>=20) ? 1 : 2);\\n"

msgid "Conditions"
msgstr "Warunki"

msgid "{count} month"
msgid_plural "{count} months"
msgstr[0] "{count} miesiąc"
msgstr[1] "{count} miesiące"
msgstr[2] "{count} miesięcy"

msgctxt "reason recipe-differs"
msgid "the recipe differs"
msgstr "przepis się różni"
"""
NOTE = "Texts with the mark [en] have no translation in this language yet"


@pytest.fixture
def polish(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A language that the program has never heard of: one file, and no line of code."""
    file = tmp_path / "pl" / "LC_MESSAGES" / "report.po"
    file.parent.mkdir(parents=True)
    file.write_text(POLISH, encoding="utf-8")
    monkeypatch.setattr(catalogue, "LOCALE_DIR", tmp_path)
    read_catalogue.cache_clear()
    yield
    read_catalogue.cache_clear()


def test_a_catalogue_is_all_that_a_language_takes(polish: None) -> None:
    assert languages() == ["en", "pl"] and display_name("pl") == "polski"
    page = render(ri.fixed_report(language="pl"), "customer", now_utc=2e9)
    assert '<html lang="pl">' in page and ">Warunki<" in page
    # What it lacks stands in English, marked, and the page says what the mark means.
    assert f">Safety{LACKING}<" in page and page.count(NOTE) == 1
    assert "14 marca 2031" in page  # Unicode CLDR: the day in the form of the language
    words = words_for("pl")
    assert reason_text(reason("recipe-differs"), words) == "przepis się różni"
    assert reason_text(reason("room-not-measured-both"), words).endswith(LACKING)


@pytest.mark.parametrize(
    ("count", "said"),
    [(1, "miesiąc"), (2, "miesiące"), (5, "miesięcy"), (12, "miesięcy"), (22, "miesiące"), (112, "miesięcy")],
)
def test_the_plural_is_that_of_the_catalogues_own_rule(polish: None, count: int, said: str) -> None:
    assert words_for("pl").n("{count} month", "{count} months", count) == f"{count} {said}"
    assert words_for("pl").n("{count} time", "{count} times", count) == f"{count} time{'s' * (count != 1)}{LACKING}"


@pytest.mark.parametrize("language", ["en", "de"])
def test_whole_languages_show_no_mark(language: str) -> None:
    page = render(ri.fixed_report(language=language), "customer", now_utc=2e9)
    assert LACKING not in page and "[en]" not in page


def test_dutch_is_dutch() -> None:
    page = render(ri.fixed_report(language="nl"), "customer", now_utc=2e9)
    said = re.sub(r"<(style|svg).*?</\1>", " ", page, flags=re.DOTALL)
    for words in ("Verholpen", "Omstandigheden", "14 maart 2031", "warmteweerstand", "meetonzekerheid"):
        assert words in said, words
    for words in ("Conditions", "thermal resistance", "settles", "Messung", "Wärme"):
        assert words not in said, words
    assert re.search(r"\d,\d\s*(±|°C)", said)  # a decimal comma


def test_dutch_lags_behind_german_by_a_twentieth_at_most() -> None:
    """German is kept whole with every text; Dutch is caught up with, and until then the pages mark what it lacks."""
    german, dutch = read_catalogue("de"), read_catalogue("nl")
    lacking = [*(set(german.texts) - set(dutch.texts)), *(set(german.reasons) - set(dutch.reasons))]
    assert len(lacking) <= 0.05 * (len(german.texts) + len(german.reasons)), sorted(lacking)[:20]
