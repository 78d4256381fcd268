"""`verifyrig job labour | total | note`: what was worked, what it comes to, and what the next shift must know."""

from __future__ import annotations

import argparse
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.commands.job_answer import answer_of, job_of, now, said_by
from verifyrig.core.errors import UsageError
from verifyrig.core.plain_text import plain_cell, plain_line, plain_lines
from verifyrig.dialogs.prompt import Asker

if TYPE_CHECKING:
    from verifyrig.jobs.contract import TotalObject
    from verifyrig.jobs.model import Job
    from verifyrig.jobs.totals import Line, Total

_LONGEST = 2000
_LONGEST_MINUTES = 6000
CSV_HEAD = ("job", "ticket", "day", "kind", "what", "quantity", "unit", "unit_price", "amount", "currency")


def add_labour(sub: argparse.ArgumentParser) -> None:
    """Declare what was worked."""
    sub.add_argument("what", nargs="?", default="", metavar="TEXT", help="what was done, as it stands on the bill")
    sub.add_argument("--minutes", type=int, metavar="N", help="how long")
    sub.add_argument("--price", metavar="AMOUNT", help="with --minutes an hour's price, without it the whole")


def add_total(sub: argparse.ArgumentParser) -> None:
    """Declare where the total goes."""
    sub.add_argument("--csv", metavar="FILE", help="for the shop's own accounting")


def add_note(sub: argparse.ArgumentParser) -> None:
    """Declare the note."""
    sub.add_argument("text", nargs="*", metavar="TEXT", help="what the next shift must know")


def labour(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Note what was worked."""
    from verifyrig.dialogs.checked import ask_checked
    from verifyrig.jobs.model import EntryKind
    from verifyrig.jobs.money import parse_price
    from verifyrig.jobs.store import append, new_entry

    job = job_of(args, context, asker)
    what, minutes, price = args.what, args.minutes, args.price
    if minutes is None and price is None and asker is not None:
        what = what or asker.line("What was done, as it stands on the bill?")
        typed = ask_checked(asker, "How many minutes? (Enter: a fixed price)", _minutes)
        minutes = _minutes(typed) if typed else None
        price = None if typed else ask_checked(asker, "Price?", parse_price) or None
    if minutes is None and price is None:
        mend = "Add --minutes 45 or --price 49."
        raise UsageError("neither minutes nor a price is said", where="job labour", mend=mend)
    if minutes is not None:
        _minutes(str(minutes))
    if price is not None:
        parse_price(price)
    detail = {"text": what[:_LONGEST], "minutes": minutes, "price": price}
    facts = {key: value for key, value in detail.items() if value not in ("", None)}
    entry = new_entry(EntryKind.LABOUR, "labour", now=now(), by=said_by(args, context), detail=facts)
    job = append(context.bench, job.job_id, [entry])
    return answer_of(context, job, f"Noted: {plain_line(what, 80) or 'labour'}.")


def _minutes(text: str) -> int:
    if not text.isascii() or not text.isdigit() or not 0 < int(text[:9]) <= _LONGEST_MINUTES:
        raise UsageError(f"{text[:40]!r} is no number of minutes", where="--minutes", mend="Type a number, such as 45.")
    return int(text)


def note(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Note something for who comes next."""
    from verifyrig.jobs.model import EntryKind
    from verifyrig.jobs.screen import SHIFT_NOTE
    from verifyrig.jobs.store import append, new_entry

    job = job_of(args, context, asker)
    text = " ".join(args.text) or (asker.line("What must the next shift know?") if asker is not None else "")
    if not text.strip():
        raise UsageError("nothing is noted", where="job note", mend="Write it behind: job note waits for a part.")
    detail = {"text": text.strip()[:_LONGEST]}
    entry = new_entry(EntryKind.NOTE, SHIFT_NOTE, now=now(), by=said_by(args, context), detail=detail)
    job = append(context.bench, job.job_id, [entry])
    return answer_of(context, job, "Noted for the next shift.")


def total(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Reckon what the job comes to."""
    from verifyrig.files.output_file import Output, write_output
    from verifyrig.jobs.naming import name_of
    from verifyrig.jobs.totals import rules_of, total_of

    job = job_of(args, context, asker)
    found = total_of(job, rules_of(context.bench.config))
    lines = [name_of(job), *_lines(found)]
    data = _data(job, found)
    if args.csv is not None:
        if found.missing:
            raise UsageError(
                f"a price is missing: {', '.join(found.missing)}", where="--csv", mend="Note it first; 0 is a price."
            )
        write_output(Path(args.csv), _csv(job, found), Output.TOTAL)
        data["file"] = args.csv
        lines.append(args.csv)
    return Answer(data=data, text=plain_lines(lines))


def _lines(found: Total) -> list[str]:
    currency = found.rules.rounding.currency
    rows = [(_what(line), line.amount) for line in found.lines]
    rate = f"{found.rules.tax_percent.normalize():f}"
    if found.sum is None:
        return [*(_row(*row, currency) for row in rows), f"No sum: a price is missing: {', '.join(found.missing)}."]
    held = "in it: tax" if found.rules.tax_included else "tax"
    tail = [("net", found.net), (f"{held} {rate} %", found.tax), ("SUM", found.sum)]
    cash = [("paid in cash", found.cash)] if found.cash != found.sum else []
    return [_row(*row, currency) for row in (*rows, *tail, *cash)]


def _what(line: Line) -> str:
    return line.what + (f", {line.quantity} {line.unit}" if line.unit else "")


def _row(what: str, amount: Decimal | None, currency: str) -> str:
    price = "no price" if amount is None else f"{amount} {currency}"
    return f"  {plain_line(what, 48):<48} {price:>16}"


def _data(job: Job, found: Total) -> TotalObject:
    return {
        "job": job.job_id,
        "country": found.rules.country,
        "currency": found.rules.rounding.currency,
        "lines": [
            {
                "kind": line.kind,
                "what": line.what,
                "quantity": line.quantity,
                "unit": line.unit,
                "unit_price": _text(line.unit_price),
                "amount": _text(line.amount),
            }
            for line in found.lines
        ],
        "tax_percent": str(found.rules.tax_percent),
        "tax_included": found.rules.tax_included,
        "net": _text(found.net),
        "tax": _text(found.tax),
        "sum": _text(found.sum),
        "cash": _text(found.cash),
        "missing": list(found.missing),
    }


def _text(amount: Decimal | None) -> str | None:
    return None if amount is None else f"{amount:f}"


def _csv(job: Job, found: Total) -> str:
    """Return the total as CSV: a line for each item, then net, tax, sum and what is paid in cash."""
    import csv
    import io

    ticket, day = job.intake.customer.ticket, f"{job.opened.astimezone():%Y-%m-%d}"
    head, currency = (job.job_id, ticket, day), found.rules.rounding.currency
    items = [
        (*head, line.kind, line.what, line.quantity, line.unit, line.unit_price, line.amount, currency)
        for line in found.lines
    ]
    sums = [("net", found.net), ("tax", found.tax), ("sum", found.sum), ("cash", found.cash)]
    rows = [*items, *((*head, kind, "", "", "", "", amount, currency) for kind, amount in sums)]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(CSV_HEAD)
    for row in rows:
        writer.writerow([f"{cell:f}" if isinstance(cell, Decimal) else plain_cell(cell or "") for cell in row])
    return text.getvalue()
