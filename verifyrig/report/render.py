"""Report input and edition in, one self-contained page out. Pure: no file but templates and catalogue, no clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from verifyrig.core.errors import BenchError
from verifyrig.core.plain_text import plain_block, plain_lines
from verifyrig.report import pages, svg
from verifyrig.report.inputs import ReportInput
from verifyrig.report.marks import marks_of
from verifyrig.report.masking import masked
from verifyrig.report.policy import guarded
from verifyrig.report.state import SHOWN_DIGITS, state_digest
from verifyrig.report.unbroken import unbroken
from verifyrig.report.wording import LACKING, Foreign, Words, words_of

if TYPE_CHECKING:
    from jinja2 import Environment, TemplateError

Edition = Literal["customer", "archive", "slip"]
EDITIONS: tuple[Edition, ...] = ("customer", "archive", "slip")
TEMPLATES_DIR = Path(__file__).resolve().parent / "templates"
_TEMPLATE = {"customer": "report.html.j2", "archive": "report.html.j2", "slip": "slip.html.j2"}
_PAPERS = {"a4": "A4", "letter": "letter"}


def render(report_input: ReportInput, edition: Edition, *, now_utc: float) -> str:
    """Return the page of one edition as HTML text.

    Args:
        report_input: Everything that the page needs; the customer's edition and the slip are masked here.
        now_utc: Date of issue, s since 1970; the same input and time give the same bytes.

    Raises:
        ValueError: There is no such edition.
        BenchError: A template of the shop's own cannot be filled in.
    """
    if edition not in EDITIONS:
        raise ValueError(f"there is no edition {edition!r}")
    report = report_input if edition == "archive" else masked(_as_customer_reads(report_input))
    words = words_of(report.settings)
    values = pages.slip_values(report, words, now_utc) if edition == "slip" else pages.report_values(
        report, words, now_utc, archive=edition == "archive"
    )  # fmt: skip
    values["state"] = state_digest(report_input)[:SHOWN_DIGITS]
    if edition != "slip":
        # The counter's list is in the language of the shop, whatever the customer reads.
        values["marks"] = marks_of(report, words_of(report_input.settings))
    return rendered(_TEMPLATE[edition], values, words, report.settings.paper, report.settings.templates_dir)


def _as_customer_reads(report: ReportInput) -> ReportInput:
    return report if report.customer_settings is None else replace(report, settings=report.customer_settings)


def rendered(
    name: str,
    values: Mapping[str, Any],
    words: Words,
    paper: str,
    templates_dir: str = "",
    style: str = "style.css.j2",
) -> str:
    """Return a template filled in, with the style sheet for the paper in it; raise `BenchError` where it cannot be."""
    environment = _environment(templates_dir)
    common = {
        "lang": words.language,
        "state": "",  # a page that is of no state of a job says none
        "t": words.t,
        "paper": _PAPERS.get(paper.lower(), "A4"),
        "page_words": _page_words(words),
        "dark": svg.DARK,
        "shapes": pages.shapes(),
        "key_lines": pages.key_lines(),
        "running_head": _running_head(values),
        "running_right": values.get("number", ""),
        "running_foot": _running_foot(values, words),
    }
    filled = {**common, **values}
    from jinja2 import TemplateError
    from markupsafe import Markup

    try:
        # A browser reads every line end as "\n", and so does the hash of the style sheet.
        css = environment.get_template(style).render(filled).replace("\r\n", "\n").strip()
        page = environment.get_template(name).render({**filled, "css": Markup(css)}) + "\n"
        return guarded(_with_note(page, words), css)
    except TemplateError as error:
        raise _template_fault(name, error) from error


def _with_note(page: str, words: Words) -> str:
    """Return the page with a line at its end that explains the mark of English texts, where any stands on it."""
    if LACKING not in page:
        return page
    from markupsafe import escape

    note = words.t("Texts with the mark [en] have no translation in this language yet, and stand in English.")
    at = max(page.rfind("</main>"), 0) or page.rfind("</body>")
    return f'{page[:at]}<p class="small">{escape(note)}</p>\n{page[at:]}'


def _running_foot(values: Mapping[str, Any], words: Words) -> str:
    """The foot of every printed sheet: sheets of two states are told apart by it."""
    issued, state = str(values.get("issued", "")), str(values.get("state", ""))
    return f"{issued} · {words.t('state {digest}', digest=state)}" if state else issued


def _running_head(values: Mapping[str, Any]) -> str:
    """The head of every printed sheet; that a page is a draft stands on each of them."""
    draft, title = values.get("draft"), str(values.get("title", ""))
    return f"{draft.word} – {title}" if draft else title


def _template_fault(name: str, error: TemplateError) -> BenchError:
    """A template of the shop's own that cannot be filled in, with its line where that is known."""
    line = getattr(error, "lineno", None)
    where = f"template {getattr(error, 'name', None) or name}" + (f", line {line}" if line else "")
    return BenchError(
        str(error.message or error), where=where, mend="Mend the template, or take report.templates out of bench.toml."
    )


def _page_words(words: Words) -> tuple[str, str]:
    """The words around the two page numbers."""
    before, _, rest = words.t("page {page} of {pages}").partition("{page}")
    return before, rest.partition("{pages}")[0]


@cache
def _environment(templates_dir: str) -> Environment:
    from jinja2 import ChoiceLoader, FileSystemLoader, StrictUndefined
    from jinja2.sandbox import SandboxedEnvironment

    folders = [folder for folder in (templates_dir, str(TEMPLATES_DIR)) if folder]
    # The shop's own templates may come with a bench folder from elsewhere: they fill in, they do not act.
    environment = SandboxedEnvironment(
        loader=ChoiceLoader([FileSystemLoader(folder) for folder in folders]),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=False,
        keep_trailing_newline=False,
    )
    environment.filters["css_string"] = css_string
    environment.tests["foreign"] = lambda value: isinstance(value, Foreign)
    return environment


def _shown(value: Any) -> Any:
    """Every text that is not markup of our own is made visible, its quantities held together, before it is escaped."""
    return unbroken(plain_block(value)) if isinstance(value, str) and not hasattr(value, "__html__") else value


def css_string(text: str) -> Any:
    """Return a text as a string of CSS: whatever is no plain letter, digit or space is written as its code.

    Source: CSS Syntax Module Level 3, 4.3.7 (escaped code point: up to six hexadecimal digits, then one space,
    which belongs to it).
    """
    from markupsafe import Markup

    plain = plain_lines([text])  # blanks at its ends stand between it and a page number
    escaped = (c if c.isascii() and (c.isalnum() or c in " -.") else f"\\{ord(c):06x} " for c in plain)
    return Markup('"' + "".join(escaped) + '"')
