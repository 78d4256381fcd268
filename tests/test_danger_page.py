"""Every edition says first that a machine is not safe to use, and what to do, in each language."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest

from verifyrig.commands.cli import run

# What a person must read first; words of the trade, no source.
SAID = {
    "en": ("not safe to use", "A battery pack is swollen", "hand it to trained people"),
    "de": ("nicht sicher zu benutzen", "Ein Akku ist aufgebläht", "Fachleuten übergeben"),
}
FURTHER = {"en": ("What we did not test", "What we did"), "de": ("Was wir nicht geprüft haben", "Was wir getan haben")}


def text_of(page: Path) -> str:
    """Return what a reader sees of a page, in its order."""
    html = page.read_text(encoding="utf-8")
    html = re.sub(r"(?s)<(style|script|title|head)\b.*?</\1>", " ", html)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("handed_over", [False, True])
def test_page_slip_and_archive_say_first_what_is_dangerous_and_what_to_do(
    tmp_path: Path, language: str, handed_over: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)

    def verifyrig(*words: str) -> int:
        return run([*words, "--bench", str(tmp_path)])

    (tmp_path / "bench.toml").write_text(f'[report]\nlanguage = "{language}"\n', encoding="utf-8")
    assert verifyrig("job", "open", "--id", "j-1", "--complaint", "hot", "--kind", "laptop") == 0
    assert verifyrig("run", "pulses-only", "--mock", "healthy-air", "--ambient", "22") in (0, 4)
    assert verifyrig("job", "finding", "pack=swollen", "--by", "N. Bench") == 0
    if handed_over:
        close = ["--cause", "unknown", "--not-safe", "--override", "goes home unrepaired"]
        assert verifyrig("job", "close", *close) == 4
        assert verifyrig("job", "handover", "--to", "A. Customer", "--not-safe") == 4
    assert verifyrig("report", "j-1") == 0
    for edition in ("j-1.html", "j-1.slip.html", "j-1.archive.html"):
        seen = text_of(tmp_path / "reports" / edition)
        places = [seen.lower().find(words.lower()) for words in SAID[language]]
        assert -1 not in places, (edition, seen[:600])
        further = [place for words in FURTHER[language] if (place := seen.find(words)) >= 0]
        assert max(places) < min(further, default=len(seen)), edition
        # The head of the page speaks of nothing else.
        assert places[0] < 200, seen[:300]
