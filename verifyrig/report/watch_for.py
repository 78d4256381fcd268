"""What a customer is to watch for at home, and who to call: by cause, kind of machine and complaint.

All of it is common practice, no source. It only advises: local codes, licensed practice and the maker's manual come
first, and nobody who is no technician is told to open anything.
"""

from __future__ import annotations

from collections.abc import Mapping

from verifyrig.core.plain_text import plain_line
from verifyrig.jobs.fitness_model import Status
from verifyrig.report.inputs import JobFacts, ReportInput, Shop
from verifyrig.report.unbroken import FIXED
from verifyrig.report.wording import Words

_LEAK = "A wet spot below it, or gurgling that does not end: switch it off and pull the plug."
_FREE_AIR = "Keep a hand's breadth of air around its openings, and the dust out of them."
_POWER = "If it switches off or flickers: cut it off at the outlet, and do not try again and again."
_COPY = "Freezes, or files that cannot be opened: stop, and keep a copy of your data first."
OF_CAUSE: Mapping[str, str] = {
    "contact": "A fan that is louder than today in the same work, or a machine that gets slow: bring it in.",
    "coolant-flow": _LEAK,
    "airflow": _FREE_AIR,
    "warm-room": "Keep it out of the sun and away from heaters; let it work hard only in a cool room.",
    "sensor": "A fan that stands still or runs at full speed for no reason: switch it off.",
    "supply": _POWER,
    "board-power": _POWER,
    "memory": _COPY,
    "processor": _COPY,
    "graphics": "Stripes, flicker or a black picture: stop, and bring it in.",
    "firmware-limit": "Do not reset the settings of its firmware: what was set here would be lost.",
    "wiring": "A plug that sits loose or gets warm: switch it off and bring it in.",
}
OF_KIND: Mapping[str, str] = {
    "desktop-air": _FREE_AIR,
    "desktop-liquid": _LEAK,
    "small-form": "It stands where air reaches all its openings, and not in a closed cabinet.",
    "laptop": "Not on a bed, a blanket or your lap while it works hard. A case that bulges: do not charge it, do not"
    " press on it.",
}
NEVER = "Do not open it: inside, parts can burn you and give an electric shock, also with the plug out."
GRAVE = (
    "Smoke, a burnt smell, an electric shock: hands off, cut the power at the outlet or the fuse if you can do so"
    " safely, and do not switch it on again. In danger call the emergency number first."
)
AGAIN = "If the fault comes back: write down when, and what it was doing then."


def watch_lines(report: ReportInput, words: Words) -> list[str]:
    """Return what to watch for, one sentence or two a line, what matters most last but one for the eye."""
    job = report.job
    found = [AGAIN] if job is not None and job.complaint and report.fitness.status is not Status.UNSAFE else []
    if job is not None:
        found += [text for text in (OF_CAUSE.get(job.cause), OF_KIND.get(job.machine_kind or "")) if text]
    said = [words.t(text) for text in dict.fromkeys([*found, NEVER, GRAVE])]
    return [*said, *_warranties(job, words)]


def _warranties(job: JobFacts | None, words: Words) -> list[str]:
    return [
        words.t("Warranty on {part} until {day}; keep this page.", part=plain_line(part), day=words.day(day))
        for part, day in (job.warranties if job is not None else ())
    ]


def who_to_call(shop: Shop, number: str, words: Words) -> str:
    """Return who answers, and under which number of this report."""
    name = plain_line(shop.name)
    if not name:
        return words.t("Ask where you got this page, and give its number, {number}.", number=number)
    phone, address = plain_line(shop.phone).replace(" ", FIXED), plain_line(shop.address)
    said = words.t("Ask {shop}.", shop=f"{name}, {address}" if address else name)
    if phone:
        said = words.t("Call {shop}: {phone}.", shop=name, phone=phone)
    return f"{said} " + words.t("Give the number {number}.", number=number)
