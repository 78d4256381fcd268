"""What a run is asked to be: from the words of the command line, the job they mean, and what people answer."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verifyrig.commands import Context
from verifyrig.commands.linked_run import shown_on_page
from verifyrig.commands.unit_asked import check_hold, check_ordered_parts, settle_unit, take_scan
from verifyrig.commands.which_job import job_meant
from verifyrig.commands.who import at_the_bench
from verifyrig.core.errors import ProfileError, UsageError
from verifyrig.core.profile import Purpose
from verifyrig.core.reason import Reason, sentence

if TYPE_CHECKING:
    from collections.abc import Callable

    from verifyrig.core.interfaces import DangerNotice
    from verifyrig.core.profile import Profile
    from verifyrig.dialogs.attestation import LoadAnswers
    from verifyrig.jobs.model import Job
    from verifyrig.jobs.runs import Defaults
    from verifyrig.link.follow import RunLink
    from verifyrig.rig.request import RunRequest
    from verifyrig.system.machine import MachineRoot

DEFAULT_PROFILE = "quick-look"


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
    from verifyrig.line.units import UnitToMeasure
    from verifyrig.rig.assemble import check_start
    from verifyrig.rig.request import RunRequest
    from verifyrig.system.machine import resolve_root

    take_scan(args, context)
    defaults = defaults_for(context.bench, _job_of(args, context))
    name = args.profile or defaults.profile or DEFAULT_PROFILE
    profile = find_profile(name, context.bench, defaults.recipes)
    _say_edition(name, profile, context, defaults)
    mock = _mock(args.mock)
    root = resolve_root(Path(args.root or "/"))
    simulated = mock is not None or not root.live
    states, ambient, speed = _states(args.state), typed_ambient(args.ambient), _speed(args.speed, mock)
    unit, batch = short_name(args.unit, "--unit"), short_name(args.batch, "--batch")
    board = _board(args, context, defaults, root)
    if unit is not None and defaults.job is None:
        asked = UnitToMeasure(
            unit=unit, batch=batch, board=board, recipe=profile.recipe, rework=args.rework, states=tuple(states)
        )
        settled = settle_unit(args, context, asked)
        unit, batch = settled.unit, settled.batch
        check_hold(unit, batch, context)
        if mock is None:
            check_ordered_parts(args, context, root)
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
            "board": board,
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


def _states(words: list[str]) -> dict[str, str]:
    from verifyrig.files.typed_values import parse_states
    from verifyrig.jobs.dangers import check_word

    states = parse_states(words)
    for key, value in states.items():
        check_word(key, value, "--state")
    return states


def typed_ambient(text: str | None) -> Any:
    from verifyrig.files.typed_values import parse_ambient
    from verifyrig.rig.runner import Ambient

    if text is None:
        return None
    value_c, u95_k = parse_ambient(text)
    return Ambient(value_c=value_c, u95_k=u95_k)
