"""`verifyrig run`: execute a profile and keep a record."""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.commands.linked_run import add_link_words, linked_run
from verifyrig.commands.run_request import request_from, typed_ambient
from verifyrig.commands.signing import sign_with_own_key
from verifyrig.commands.which_job import add_job_words, name_at_place
from verifyrig.core.errors import NoTemperature
from verifyrig.core.outcome import Outcome
from verifyrig.core.plain_text import plain_line, plain_lines
from verifyrig.core.profile import Purpose

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from verifyrig.core.interfaces import Controls
    from verifyrig.dialogs.prompt import Asker
    from verifyrig.link.follow import RunLink
    from verifyrig.rig.observer import Attention, Observer
    from verifyrig.rig.request import RunDone, RunRequest
    from verifyrig.terminal.alerting import Alerting

_OUTSIDE = "outside-probe"
PURPOSES = tuple(purpose.value for purpose in Purpose)  # plain words: argparse prints a choice as Python writes it


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `run`."""
    parser.add_argument("profile", nargs="?", metavar="PROFILE", help="a name or path (else the job's last one)")
    add_job_words(parser, "the job it belongs to (else the open one)")
    parser.add_argument("--by", metavar="NAME", help="who measures (else who is on shift, else the operator)")
    parser.add_argument("--without-job", action="store_true", help="it belongs to no job, whichever are open")
    parser.add_argument("--as", dest="purpose", metavar="PURPOSE", choices=PURPOSES, help=", ".join(PURPOSES))
    parser.add_argument("--unit", metavar="NAME", help="which unit of a build line")
    parser.add_argument("--batch", metavar="NAME", help="which batch the unit is of")
    parser.add_argument(
        "--scan", metavar="LABEL", nargs="?", const="", help="scan the unit's label: its order says batch and profile"
    )
    parser.add_argument("--by-itself", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--other-parts", metavar="TEXT", help="why it has other parts than its order says")
    parser.add_argument("--rework", metavar="CODE", help="why this unit is measured again: what was changed on it")
    parser.add_argument("--ambient", metavar="C[±U]", help="room temperature, °C, and its uncertainty, K")
    parser.add_argument("--state", action="append", default=[], metavar="KEY=VALUE", help="panel, position, fans, ...")
    add_link_words(parser)
    place = parser.add_mutually_exclusive_group()
    place.add_argument("--mock", metavar="CASE", help="simulated hardware, as CASE or CASE:SEED")
    place.add_argument("--root", metavar="DIR", help="a folder with sys and proc of the machine (default /)")
    parser.add_argument("--speed", metavar="N|max", help="pace of simulated time (default max)")
    parser.add_argument("--yes", action="store_true", help="agree to what the program asks; never answers for a person")
    parser.add_argument(
        "--no-load", action="store_true", help="idle and quarter-share pulses only; every load above them is left out"
    )
    parser.add_argument(
        "--attest", metavar="FILE", help="a person's answers about leaks, packs, smells, who is present"
    )


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Run it, then read the record back as anybody else would."""
    with linked_run(args, context) as link:
        return _run(args, context, link)


def _run(args: argparse.Namespace, context: Context, link: RunLink | None) -> Answer:
    from verifyrig.core.interfaces import Controls
    from verifyrig.dialogs.keyboard import people_in_control
    from verifyrig.rig.assemble import run as run_on_rig
    from verifyrig.rig.observer import Attention
    from verifyrig.rig.request import SPEED_MAX
    from verifyrig.terminal.choose import choose_face

    try:
        request = request_from(args, context, link)
    except NoTemperature as lacking:
        _offer_outside(args, context, lacking)
        request = request_from(args, context, link)
    fast = request.mock is not None and request.speed == SPEED_MAX
    face = _alerting(choose_face(simulated_fast=fast, title=_title(context, request)), context, request)
    controls = Controls()
    with people_in_control(controls, keys=not context.json):
        done = run_on_rig(request, context.bench, face, controls)
    answer = _named(answer_of(done), context, request)
    _tell_others(answer, context, request)
    face.call(Attention.END)
    face.join()
    return replace(answer, text=_with_end_screen(answer, request)) if _shows_end_screen(context) else answer


def _tell_others(answer: Answer, context: Context, request: RunRequest) -> None:
    """Keep a notice of the run for those whom bench.toml names."""
    if not context.bench.config.get("notify"):
        return
    from typing import cast

    from verifyrig.notify.hand_over import hand_over, run_notice
    from verifyrig.runs.contract import RunObject

    notice = run_notice(cast(RunObject, answer.data), request.facts)
    hand_over(context.bench, notice, quiet=context.json)


def _offer_outside(args: argparse.Namespace, context: Context, lacking: NoTemperature) -> None:
    """Offer the probe from outside on a terminal; raise what is lacking where nobody is there or wants it."""
    from verifyrig.dialogs.prompt import TerminalAsker, can_ask

    if not can_ask(json=context.json):
        raise lacking
    args.profile = outside_instead(TerminalAsker(), lacking, args.profile)


def outside_instead(asker: Asker, lacking: NoTemperature, profile: str | None) -> str:
    """Say that a temperature is lacking, and offer the probe from outside; raise it where nobody wants that."""
    from verifyrig.dialogs.prompt import Option

    if profile == _OUTSIDE:
        raise lacking
    asker.say(f"{lacking}")
    yes_no = (Option(key="y", label="yes"), Option(key="n", label="no"))
    if asker.choose("Measure from outside now, with a probe and its own load marked by hand?", yes_no, "n") == "n":
        raise lacking
    return _OUTSIDE


def look_first(profile_name: str, context: Context, recipes: Sequence[str] = ()) -> None:
    """Raise what would keep a plan from starting on this machine, before anybody is asked anything.

    Args:
        recipes: As `find_profile` takes them.
    """
    from verifyrig.bench.find_profile import find_profile
    from verifyrig.rig.assemble import check_start
    from verifyrig.rig.request import RunRequest

    # The room may be typed, and is asked for only afterwards: some figure stands in for it, and goes nowhere.
    plain = RunRequest(profile=find_profile(profile_name, context.bench, recipes), purpose=Purpose.CHECK)
    check_start(replace(plain, ambient=typed_ambient("22")), context.bench)


def _alerting(face: Observer, context: Context, request: RunRequest) -> Alerting:
    """Return the face with the shop's way of calling somebody."""
    from verifyrig.files.streams import tell
    from verifyrig.terminal.alerting import Alerting, alert_command, ring_bell

    command, refused = alert_command(context.bench.config, context.bench.root / "bench.toml")
    if refused and not context.json:
        tell(f"verifyrig: [alert] command is not started: {refused}.")
    silent = context.bench.config.get("alert", {}).get("bell") is False
    return Alerting(face, command, (lambda: None) if silent else ring_bell, _alarm(context, request))


def _alarm(context: Context, request: RunRequest) -> Callable[[Attention], None] | None:
    """Return what hands an alarm of this run over; None where bench.toml names nobody."""
    if not context.bench.config.get("notify"):
        return None
    from verifyrig.notify.hand_over import alarm_notice, hand_over

    words = {"trip": "a limit was crossed: the load is off", "gate": "the gate closed: no load follows"}

    def alarm(what: Attention) -> None:
        of_line = request.job is None
        notice = alarm_notice(
            {
                "code": str(what),
                "text": words.get(what, "the run was stopped for safety"),
                "profile": request.profile.name,
                "unit": request.unit if of_line else None,
                "batch": request.facts.get("batch") if of_line else None,
                "run": None,
                "metric": None,
            },
            request.facts,
        )
        hand_over(context.bench, notice, quiet=True)

    return alarm


def _title(context: Context, request: RunRequest) -> str:
    """Return whose machine the run is on, for the screen alone: no name of a customer stands in a record."""
    from verifyrig.jobs.store import read_job

    return name_at_place(context, read_job(context.bench, request.job)) if request.job is not None else "No job"


def _named(answer: Answer, context: Context, request: RunRequest) -> Answer:
    return replace(answer, text=plain_lines([_title(context, request), *answer.text.split("\n")]))


def _shows_end_screen(context: Context) -> bool:
    import sys

    return not context.json and sys.stdout.isatty()


def _with_end_screen(answer: Answer, request: RunRequest) -> str:
    """Return the answer's text with the verdict below it in letters that are read from three metres."""
    import shutil

    from verifyrig.metrology.verdict import Verdict
    from verifyrig.rig.observer import Attention
    from verifyrig.terminal.end_screen import end_screen
    from verifyrig.terminal.letters import large_word

    size = shutil.get_terminal_size()
    unit = plain_line(request.unit or request.job or answer.data["run"], 40)
    ended = {Outcome.TRIPPED: Attention.TRIP, Outcome.STOPPED: Attention.STOP}.get(answer.data["outcome"])
    if ended is not None:
        return "\n".join([answer.text, *large_word(ended, size.columns - 1, size.lines), f"  {unit}"])
    return "\n".join([answer.text, *end_screen(Verdict(answer.data["verdict"]), unit, size.columns - 1, size.lines)])


def answer_of(done: RunDone) -> Answer:
    """Return the answer of a run that is over, from its record; how it ended is known even where the disk took no more.

    A record that could not be closed looks like one whose program was killed or hung.
    """
    from verifyrig.record import read_trace
    from verifyrig.record.check import integrity_of
    from verifyrig.runs.summary import exit_code_of, sentences_of, summary_of

    sign_with_own_key(done.record)
    trace, (integrity, _) = read_trace(done.record), integrity_of(done.record)
    if done.end is not None:
        ending = {"outcome": done.end.outcome, "cause": done.end.cause, "trip": done.end.trip}
        trace = replace(trace, facts={**trace.facts, **ending})
    summary = summary_of(trace, str(done.record), integrity=integrity)
    return Answer(data=summary, text=plain_lines(sentences_of(summary)), code=exit_code_of(summary))


def run_and_read(request: RunRequest, context: Context, face: Observer, controls: Controls) -> Answer:
    """Run without keys and signals of our own: for a demo, a test, a build line."""
    from verifyrig.rig.assemble import run as run_on_rig

    return answer_of(run_on_rig(request, context.bench, face, controls))
