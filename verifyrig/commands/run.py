"""`verifyrig run`: execute a profile and keep a record."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verifyrig.commands import Answer, Context
from verifyrig.commands.linked_run import add_link_words, linked_run, shown_on_page
from verifyrig.commands.signing import sign_with_own_key
from verifyrig.commands.which_job import add_job_words, job_meant, name_at_place
from verifyrig.commands.who import at_the_bench
from verifyrig.core.errors import NoTemperature, ProfileError, UsageError
from verifyrig.core.outcome import Outcome
from verifyrig.core.plain_text import plain_line, plain_lines
from verifyrig.core.profile import Purpose
from verifyrig.core.reason import Reason, sentence

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from verifyrig.core.interfaces import Controls, DangerNotice
    from verifyrig.core.profile import Profile
    from verifyrig.dialogs.attestation import LoadAnswers
    from verifyrig.dialogs.prompt import Asker
    from verifyrig.jobs.model import Job
    from verifyrig.jobs.runs import Defaults
    from verifyrig.link.follow import RunLink
    from verifyrig.rig.observer import Observer
    from verifyrig.rig.request import RunDone, RunRequest
    from verifyrig.system.machine import MachineRoot
    from verifyrig.terminal.alerting import Alerting

DEFAULT_PROFILE = "quick-look"
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
    face = _alerting(choose_face(simulated_fast=fast, title=_title(context, request)), context)
    controls = Controls()
    with people_in_control(controls, keys=not context.json):
        done = run_on_rig(request, context.bench, face, controls)
    answer = _named(answer_of(done), context, request)
    face.call(Attention.END)
    face.join()
    return replace(answer, text=_with_end_screen(answer, request)) if _shows_end_screen(context) else answer


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
    check_start(replace(plain, ambient=_ambient("22")), context.bench)


def _alerting(face: Observer, context: Context) -> Alerting:
    """Return the face with the shop's way of calling somebody."""
    from verifyrig.files.streams import tell
    from verifyrig.terminal.alerting import Alerting, alert_command, ring_bell

    command, refused = alert_command(context.bench.config, context.bench.root / "bench.toml")
    if refused and not context.json:
        tell(f"verifyrig: [alert] command is not started: {refused}.")
    silent = context.bench.config.get("alert", {}).get("bell") is False
    return Alerting(face, command, (lambda: None) if silent else ring_bell)


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


def request_from(args: argparse.Namespace, context: Context, link: RunLink | None = None) -> RunRequest:
    """Return the request that the words mean; what they leave out comes from the open job.

    Raises:
        RigError: A word does not fit, or there is no such profile or job.
    """
    from verifyrig.bench.find_profile import find_profile
    from verifyrig.dialogs.attestation import answers_for
    from verifyrig.files.typed_values import short_name
    from verifyrig.jobs.runs import defaults_for
    from verifyrig.jobs.safety import is_heavy
    from verifyrig.rig.assemble import check_start
    from verifyrig.rig.request import RunRequest
    from verifyrig.system.machine import resolve_root

    defaults = defaults_for(context.bench, _job_of(args, context))
    name = args.profile or defaults.profile or DEFAULT_PROFILE
    profile = find_profile(name, context.bench, defaults.recipes)
    _say_edition(name, profile, context, defaults)
    mock = _mock(args.mock)
    root = resolve_root(Path(args.root or "/"))
    simulated = mock is not None or not root.live
    states, ambient, speed = _states(args.state), _ambient(args.ambient), _speed(args.speed, mock)
    unit, batch = short_name(args.unit, "--unit"), short_name(args.batch, "--batch")
    look = _danger_look(context, defaults.job, profile, states, no_load=args.no_load)
    heavy = any(is_heavy(stage) for stage in profile.stages)
    if not simulated:
        # A danger that the file of answers tells of is noted whatever the machine shows, and locks the job.
        if args.attest:
            answers_for(context.bench, profile, defaults.job, Path(args.attest), json=context.json, wants_load=False)
        # Whatever would be asked is in vain where it could not start: that is said first.
        plain = RunRequest(profile=profile, purpose=Purpose.CHECK, root=root, no_load=args.no_load, second=link)
        check_start(replace(plain, ambient=ambient), context.bench)
    answers = _answers(args, context, profile, defaults.job, simulated=simulated)
    refusals = [*answers.refusals, *_job_caution(args, defaults)]
    fact = answers.attestation.as_fact() if answers.attestation is not None else None
    no_load = heavy and _is_load_left_out(args, context, refusals, answers.lines)
    return RunRequest(
        profile=profile,
        purpose=_purpose(args, defaults, no_load=no_load),
        job=defaults.job,
        unit=unit,
        ambient=ambient,
        states=states,
        mock=mock,
        speed=speed,
        root=root,
        refusals=refusals,
        no_load=no_load,
        danger=look,
        may_load_blind=lambda: _may_load_blind(args),
        facts={
            "attestation": fact,
            "batch": batch,
            "bench": context.bench.bench_id or None,
            "rework": short_name(args.rework, "--rework"),
            "board": _board(args, context, defaults, root),
            "operator": at_the_bench(context.bench, args.by) or None,
        },
        second=link,
        shown=shown_on_page(args, context, defaults.job, simulated=simulated) if link is not None else {},
    )


def _say_edition(name: str, profile: Profile, context: Context, defaults: Defaults) -> None:
    """Say where a plan is taken as the job's earlier runs had it, and not as it is now."""
    from verifyrig.bench.find_profile import find_profile
    from verifyrig.files.streams import tell

    if context.json or profile.recipe not in defaults.recipes:
        return
    try:
        as_now = find_profile(name, context.bench).recipe == profile.recipe
    except ProfileError:
        as_now = False
    if not as_now:
        tell(f"{profile.name} is taken as this job's earlier runs had it, so that they can be compared.")


def _job_of(args: argparse.Namespace, context: Context) -> Job | None:
    if not args.without_job:
        return job_meant(context, args.job, args.place)
    if args.job is not None:
        raise UsageError("a job is named", where="--without-job", mend="Leave --job or --without-job out.")
    return None


def _danger_look(
    context: Context, job: str | None, profile: Profile, states: dict[str, str], *, no_load: bool
) -> Callable[[], DangerNotice | None] | None:
    """Return how the run learns of a danger, and refuse it at once where one stands or is among the typed states.

    Raises:
        SafetyRefusal: A danger stands, and the run would heat the machine.
    """
    from verifyrig.jobs.danger_look import DangerLook, note_dangers, notice_of
    from verifyrig.jobs.dangers import danger_of
    from verifyrig.rig.danger_watch import danger_refusal, heats

    named = [(danger, f"{key}={value}") for key, value in states.items() if (danger := danger_of(key, value))]
    if job is not None and named:
        note_dangers(context.bench, job, states, by=at_the_bench(context.bench))
    look = DangerLook(context.bench, job) if job is not None else None
    notice = look() if look is not None else notice_of(*named[0]) if named else None
    if notice is not None and heats(profile, no_load=no_load):
        raise danger_refusal(notice, job)
    return look


def _is_load_left_out(args: argparse.Namespace, context: Context, refusals: list[Reason], lines: list[str]) -> bool:
    """Return whether the loads above quarter-share pulses are left out of choice.

    Raises:
        UsageError: A load would not start, which is known now, and nobody says to go on without it.
    """
    from verifyrig.dialogs.prompt import Option, TerminalAsker, can_ask
    from verifyrig.files.streams import tell

    if args.no_load or not refusals:
        return bool(args.no_load)
    asker, at_terminal = TerminalAsker(), can_ask(json=context.json)
    if not context.json:
        asker.say("No load above quarter-share pulses would start:")
        for why in refusals:
            asker.say(f"- {why}")
        for line in lines if not at_terminal else []:
            tell(line)  # whole: it is copied into a file
    yes_no = (Option(key="y", label="yes"), Option(key="n", label="no"))
    if at_terminal and asker.choose("Measure idle and quarter-share pulses only?", yes_no, "n") == "y":
        return True
    file = args.attest or "a file for --attest"
    add = f"Add to {file} the lines: {' | '.join(lines)}. Or leave" if lines else "Leave"
    raise UsageError(
        f"no load would start: {sentence(refusals)}",
        where="run",
        mend=f"{add} the load out with --no-load: idle and quarter-share pulses only.",
    )


def _purpose(args: argparse.Namespace, defaults: Defaults, *, no_load: bool) -> str:
    """Return what the run is for; one without its load proves nothing, and is a check."""
    if no_load and args.purpose in (Purpose.VERIFICATION, Purpose.BUILD):
        raise UsageError(f"a {args.purpose} run needs its load", where="--no-load", mend="Leave --as or --no-load out.")
    if args.purpose:
        return str(args.purpose)
    if no_load:
        return Purpose.CHECK
    return Purpose.BUILD if _is_of_a_build_line(args, defaults) else defaults.purpose


def _board(args: argparse.Namespace, context: Context, defaults: Defaults, root: MachineRoot) -> str | None:
    """Return which board a unit of a build line is; of a customer's machine nothing of the kind is recorded."""
    from verifyrig.system.board_serial import bench_key, board_digest, board_serial

    if args.mock is not None or not _is_of_a_build_line(args, defaults) or board_serial(root.path) is None:
        return None
    key = bench_key(context.bench.root)
    return None if key is None else board_digest(root.path, key)


def _is_of_a_build_line(args: argparse.Namespace, defaults: Defaults) -> bool:
    """Whether a unit or batch is named, and no job: a customer's machine is no unit of a build."""
    return defaults.job is None and bool(args.unit or args.batch)


def _answers(
    args: argparse.Namespace, context: Context, profile: Profile, job: str | None, *, simulated: bool
) -> LoadAnswers:
    """Return what people answered, and what stays unanswered; simulated hardware hurts nobody and asks nothing."""
    from verifyrig.dialogs.attestation import answers_for

    file = Path(args.attest) if args.attest else None
    wants_load = not simulated and not args.no_load
    return answers_for(context.bench, profile, job, file, json=context.json, wants_load=wants_load)


def _job_caution(args: argparse.Namespace, defaults: Any) -> list[Reason]:
    """Return the job's caution as a refusal; whoever names the profile has seen it and wants it."""
    return [] if args.profile or defaults.caution is None else [defaults.caution.reason]


def _may_load_blind(args: argparse.Namespace) -> bool:
    from verifyrig.dialogs.prompt import Option, TerminalAsker, can_ask

    if args.yes:
        return True
    if not can_ask(json=args.json):
        return False
    options = (Option(key="y", label="yes"), Option(key="n", label="no"))
    return TerminalAsker().choose("No temperature guards the load. May a short one be run blind?", options, "n") == "y"


def _mock(text: str | None) -> tuple[str, int] | None:
    if text is None:
        return None
    from verifyrig.rig.simulated import simulated_cases

    case, _, seed = text.partition(":")
    if case not in simulated_cases() or (seed and not seed.isdigit()):
        raise UsageError(
            f"there is no simulated case {text!r}", where="--mock", mend="Cases: " + ", ".join(simulated_cases()) + "."
        )
    return case, int(seed or 0)


def _speed(text: str | None, mock: tuple[str, int] | None) -> float | None:
    from verifyrig.rig.request import SPEED_MAX

    if text is None:
        return SPEED_MAX
    if mock is None:
        raise UsageError("--speed needs --mock", where="--speed", mend="Real time has one pace; leave --speed out.")
    if text == "max":
        return SPEED_MAX
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0 < speed <= 1e6:
        raise UsageError(f"{text!r} is no pace", where="--speed", mend="Type a number above 0, or max.")
    return speed


def _ambient(text: str | None) -> Any:
    from verifyrig.files.typed_values import parse_ambient
    from verifyrig.rig.runner import Ambient

    if text is None:
        return None
    value_c, u95_k = parse_ambient(text)
    return Ambient(value_c=value_c, u95_k=u95_k)


def _states(words: list[str]) -> dict[str, str]:
    from verifyrig.files.typed_values import parse_states
    from verifyrig.jobs.dangers import check_word

    states = parse_states(words)
    for key, value in states.items():
        check_word(key, value, "--state")
    return states
