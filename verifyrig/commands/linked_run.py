"""A run that the bench computer sees: its words on the command line, and the link around it."""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Iterator
from typing import TYPE_CHECKING

from verifyrig.commands import Context
from verifyrig.commands.who import at_the_bench
from verifyrig.core.channels import is_channel
from verifyrig.core.errors import UsageError

if TYPE_CHECKING:
    from verifyrig.core.run_view import RunView
    from verifyrig.jobs.model import Job
    from verifyrig.link.follow import RunLink


def add_link_words(parser: argparse.ArgumentParser) -> None:
    """Declare the options of a link."""
    parser.add_argument("--bench-computer", metavar="auto|HOST", help="send the run to the bench computer as well")
    parser.add_argument("--bench-probe", action="append", default=[], metavar="CHANNEL", help="a probe of the bench "
                        "computer that lies on this machine; it guards, and goes stale with the link")  # fmt: skip
    parser.add_argument("--obey-link", action="store_true", help="end the load within 2 s where the link falls silent")


@contextlib.contextmanager
def linked_run(args: argparse.Namespace, context: Context) -> Iterator[RunLink | None]:
    """Yield the link to the bench computer, None where none is wanted; at the end what is left is sent.

    Raises:
        UsageError: The bench computer is not found, was not paired, or the words do not fit.
        SensorError: A probe of it gives nothing.
    """
    settings = context.bench.config.get("bench_computer", {})
    named = args.bench_computer or settings.get("name")
    want = list(dict.fromkeys(args.bench_probe or settings.get("probes", [])))
    obeyed = args.obey_link or settings.get("obey") is True
    if not named:
        if args.bench_probe or args.obey_link:
            raise UsageError(
                "no bench computer is named", where="--bench-probe, --obey-link", mend="Add --bench-computer auto."
            )
        yield None
        return
    odd = next((channel for channel in want if not is_channel(channel)), None)
    if odd is not None:
        raise UsageError(f"{odd!r} is no channel name", where="--bench-probe", mend="Use one such as plate_temp_c.")
    from verifyrig.link.extra import check_installed
    from verifyrig.link.find import find_bench_computer
    from verifyrig.link.follow import RunLink

    check_installed()
    try:
        found = find_bench_computer(named, direct_cable_only=cable_alone(context))
    except UsageError as error:
        raise _as_on_the_stick(error) from error
    link = RunLink(found, want=want, obeyed=obeyed)
    try:
        link.connect()
        yield link
    except BaseException:
        if not link.follows:
            link.drop()
        raise
    if link.follows and not link.close():
        _say_what_is_left(link, context)


def _as_on_the_stick(error: UsageError) -> UsageError:
    """Return the error with what a bench stick's own screen does about it; unchanged on every other system."""
    from verifyrig.system.stick import this_stick

    if this_stick() is None:
        return error
    mend = (
        "Start `verifyrig bench serve` there; the first screen's key b looks again, pairs, or switches the cable off."
    )
    return UsageError(error.what, where=error.where, mend=mend)


def cable_alone(context: Context) -> bool:
    """Return whether a bench computer may be reached over the direct cable alone: as bench.toml says, and on the stick.

    The stick starts machines of customers: none of them joins the shop's network, whatever a bench.toml says.
    """
    from verifyrig.system.stick import this_stick

    return context.bench.config.get("bench_computer", {}).get("link_local_only") is True or this_stick() is not None


def _say_what_is_left(link: RunLink, context: Context) -> None:
    from verifyrig.files.streams import tell

    if not context.json:
        tell(f"verifyrig: {link.name} does not have the whole record yet; the next run with it sends the rest.")


def shown_on_page(args: argparse.Namespace, context: Context, job_id: str | None, *, simulated: bool) -> RunView:
    """Return what the page of the bench computer says of a run; nothing of it stands in a record."""
    shown: RunView = {"simulated": simulated, "operator": at_the_bench(context.bench, args.by) or None}
    if job_id is None:
        return {**shown, "device": args.unit}
    from verifyrig.jobs.store import read_job

    return {**shown, **_of_job(context, read_job(context.bench, job_id))}


def _of_job(context: Context, job: Job) -> RunView:
    from verifyrig.jobs.naming import machine_name
    from verifyrig.jobs.places import place_names, places_of
    from verifyrig.jobs.store import open_jobs

    at = places_of(open_jobs(context.bench)) if place_names(context.bench.config) else {}
    customer = job.intake.customer
    return {
        "job": job.job_id,
        "ticket": customer.ticket or None,
        "customer": customer.name or None,
        "device": machine_name(job),
        "place": at.get(job.job_id),
    }
