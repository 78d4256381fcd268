"""The customer's edition: serials of their machine by the last four, host and user names, addresses, paths masked.

The values that stand under such names anywhere in the job or a record are replaced wherever they occur, so that a
serial in a note is masked like the one in its field. Patterns catch addresses that stand under no name.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from ipaddress import IPv6Address
from typing import Any

from verifyrig.analysis.results import Comparison
from verifyrig.core.reason import Reason
from verifyrig.jobs.fitness_model import Fitness
from verifyrig.report.inputs import Entry, JobFacts, Opinion, ReportInput, RunInput

_SERIAL_KEYS = ("serial", "asset_tag", "service_tag", "uuid")
_NAME_KEYS = ("host", "hostname", "host_name", "user", "username", "user_name", "login")
_CONTACT_KEYS = ("contact", "phone", "telephone", "email", "e-mail", "address", "mail")
# Shorter texts would hit ordinary words; they are masked in their own field only.
_LEAST_LENGTH = 4
_LONGEST_LOT = 8
_FITTED = ("part-replaced", "part-fitted-for-test")
HIDDEN = "•••"

_PATTERNS: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(r"\b[\w.+-]+@[\w-]+(?:\.[\w-]+)+\b"), HIDDEN),  # mail
    (re.compile(r"\b(?:[0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2}\b"), HIDDEN),  # MAC
    (re.compile(r"\b(?:(?:25[0-5]|2[0-4]\d|1?\d?\d)\.){3}(?:25[0-5]|2[0-4]\d|1?\d?\d)\b"), HIDDEN),  # IPv4
    (re.compile(r"(/home/|/Users/|[A-Za-z]:\\Users\\)[^/\\\s]+"), rf"\1{HIDDEN}"),
)
# What may be an IPv6 address; whether it is one is asked of the library, so that times and bus numbers stay.
_MAYBE_IPV6 = re.compile(r"(?<![\w:.])[0-9A-Fa-f:]{3,39}(?![\w:])")


def mask_serial(serial: str) -> str:
    """Return the serial with all but its last four characters hidden; a short one is hidden whole."""
    return HIDDEN + serial[-4:] if len(serial) > 6 else HIDDEN


def _mask_lot(lot: str) -> str:
    """A lot's number names no one part; where the field holds a serial, it is longer than that."""
    return mask_serial(lot) if len(lot) > _LONGEST_LOT else lot


def masked(report: ReportInput) -> ReportInput:
    """Return the report as it may leave the shop."""
    secrets = dict(_secrets(report))
    hide = _hider(secrets)
    return replace(
        report,
        job=_masked_job(report.job, hide) if report.job is not None else None,
        fitness=_masked_fitness(report.fitness, hide),
        runs=tuple(_masked_run(run, hide) for run in report.runs),
        comparison=_masked_comparison(report.comparison, hide) if report.comparison is not None else None,
        opinion=_masked_opinion(report.opinion, hide) if report.opinion is not None else None,
        instruments=tuple(_walked(one, hide) for one in report.instruments),
    )


Hide = Callable[[str], str]


def _hider(secrets: Mapping[str, str]) -> Hide:
    known = sorted((secret for secret in secrets if len(secret) >= _LEAST_LENGTH), key=len, reverse=True)
    found = re.compile("|".join(re.escape(secret) for secret in known)) if known else None

    def hide(text: str) -> str:
        if found is not None:
            text = found.sub(lambda match: secrets[match.group()], text)
        for pattern, mask in _PATTERNS:
            text = pattern.sub(mask, text)
        return _MAYBE_IPV6.sub(_without_ipv6, text)

    return hide


def _without_ipv6(match: re.Match[str]) -> str:
    text = match.group()
    try:
        IPv6Address(text)
    except ValueError:
        return text
    return HIDDEN if text.count(":") >= 3 or len(text) > 6 else text


def _secrets(report: ReportInput) -> Iterator[tuple[str, str]]:
    sources: list[Any] = [run.trace.facts for run in report.runs]
    if report.job is not None:
        sources += [report.job.machine, report.job.customer, report.job.handover]
        sources += [_without_own_part(entry) for entry in report.job.entries]
    for source in sources:
        yield from _secrets_in(source)


def _without_own_part(entry: Entry) -> Mapping[str, Any]:
    """Return the facts of an entry but for the number of a part that the shop fitted.

    That one is not the customer's secret: under it the part has its warranty.
    """
    fitted = entry.kind == "change" and entry.what in _FITTED
    return {key: value for key, value in entry.detail.items() if not (fitted and key == "lot")}


def _masked_entry(entry: Entry, hide: Hide) -> Entry:
    shown = _walked(_without_own_part(entry), hide)
    own = {key: _walked(value, hide) for key, value in entry.detail.items() if key not in shown}
    return replace(entry, what=hide(entry.what), detail={key: {**shown, **own}[key] for key in entry.detail})


def _secrets_in(value: Any) -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping):
        for key, one in value.items():
            mask = _mask_of_key(str(key))
            if mask is not None and isinstance(one, str) and one and mask(one) != one:
                yield one, mask(one)
            else:
                yield from _secrets_in(one)
    elif isinstance(value, (list, tuple)):
        for one in value:
            yield from _secrets_in(one)


def _mask_of_key(key: str) -> Hide | None:
    name = key.lower().replace(" ", "_")
    if any(part in name for part in _SERIAL_KEYS):
        return mask_serial
    if name == "lot":
        return _mask_lot
    return (lambda _: HIDDEN) if name in (*_NAME_KEYS, *_CONTACT_KEYS) else None


def _walked(value: Any, hide: Hide) -> Any:
    if isinstance(value, str):
        return hide(value)
    if isinstance(value, Reason):
        return Reason(value.code, _walked(value.values, hide))
    if isinstance(value, Mapping):
        return {key: _by_key(str(key), one, hide) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return type(value)(_walked(one, hide) for one in value)
    return value


def _by_key(key: str, value: Any, hide: Hide) -> Any:
    mask = _mask_of_key(key)
    if mask is not None and isinstance(value, str):
        return mask(value) if value else value
    return _walked(value, hide)


def _masked_job(job: JobFacts, hide: Hide) -> JobFacts:
    return replace(
        job,
        complaint=hide(job.complaint),
        customer=_walked(job.customer, hide),
        machine=_walked(job.machine, hide),
        answers=tuple((question, hide(answer)) for question, answer in job.answers),
        consent=tuple((topic, hide(answer)) for topic, answer in job.consent),
        accessories=hide(job.accessories),
        condition=hide(job.condition),
        entries=tuple(_masked_entry(entry, hide) for entry in job.entries),
        override=hide(job.override),
        refused=tuple(hide(one) if isinstance(one, str) else _masked_reason(one, hide) for one in job.refused),
        handover=_walked(job.handover, hide),
    )


def _masked_fitness(fitness: Fitness, hide: Hide) -> Fitness:
    """Reasons may name parts, and quote what the customer said."""
    return replace(
        fitness,
        override=hide(fitness.override),
        blockers=_masked_reasons(fitness.blockers, hide),
        missing=_masked_reasons(fitness.missing, hide),
        uncovered=_masked_reasons(fitness.uncovered, hide),
    )


def _masked_reasons(reasons: tuple[Reason, ...], hide: Hide) -> tuple[Reason, ...]:
    return tuple(_masked_reason(one, hide) for one in reasons)


def _masked_reason(one: Reason, hide: Hide) -> Reason:
    texts = ("text", "words", "noted")
    return Reason(one.code, {key: _walked(value, hide) if key in texts else value for key, value in one.values.items()})


def _masked_opinion(opinion: Opinion, hide: Hide) -> Opinion:
    """Reasons may quote what was noted by hand, and name parts."""
    suspects = tuple(
        replace(
            suspect,
            reasons_for=_walked(suspect.reasons_for, hide),
            reasons_against=_walked(suspect.reasons_against, hide),
        )
        for suspect in opinion.suspects
    )
    return replace(opinion, suspects=suspects, substitutions=_walked(opinion.substitutions, hide))


def _masked_run(run: RunInput, hide: Hide) -> RunInput:
    # The channels' stable names and our own ids are no one's address, and must stay as they are to be checked.
    facts = {key: value if key == "profile_text" else _walked(value, hide) for key, value in run.trace.facts.items()}
    events = tuple(replace(event, detail=_walked(event.detail, hide)) for event in run.trace.events)
    qualities = tuple(replace(interval, note=hide(interval.note)) for interval in run.trace.qualities)
    return replace(
        run,
        trace=replace(run.trace, facts=facts, events=events, qualities=qualities),
        metrics={name: replace(metric, why=_walked(metric.why, hide)) for name, metric in run.metrics.items()},
        limits=tuple(replace(limit, why=_walked(limit.why, hide)) for limit in run.limits),
    )


def _masked_comparison(found: Comparison, hide: Hide) -> Comparison:
    """A reason may quote what was noted of the machine's state."""
    stages = {name: replace(stage, why=_walked(stage.why, hide)) for name, stage in found.stages.items()}
    return replace(found, stages=stages)
