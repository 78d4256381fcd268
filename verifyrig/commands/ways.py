"""What can be done with a machine as it comes, offered by titles: the bare command's way from a situation to a deed."""

from __future__ import annotations

from pathlib import Path

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import RigError, UsageError
from verifyrig.core.plain_text import plain_line
from verifyrig.dialogs.prompt import Asker
from verifyrig.jobs.model import Job
from verifyrig.jobs.situations import DEED_TITLES, OF_ITS_KIND, SITUATIONS, Deed, Situation

_LONGEST_TITLE = 70
_ANY_KIND = "desktop-air"


def plan_title(bench: Bench, name: str) -> str:
    """Return what a plan is called; its name where it cannot be read."""
    from verifyrig.bench.find_profile import find_profile

    try:
        return plain_line(find_profile(name, bench).title or name, _LONGEST_TITLE)
    except RigError:
        return name


def choose_plan(asker: Asker, bench: Bench) -> str:
    """Return the name of the plan that is chosen by its title."""
    from verifyrig.bench.find_profile import list_profiles
    from verifyrig.dialogs.job_interview import pick

    return pick(asker, "Which plan?", {file.name: plan_title(bench, file.name) for file in list_profiles(bench)})


def choose_situation(asker: Asker) -> Situation | None:
    """Ask how the machine is; None to go back."""
    from verifyrig.dialogs.job_interview import pick

    words = {str(n): situation.title for n, situation in enumerate(SITUATIONS)}
    chosen = pick(asker, "How is the machine?", words | {"": "back"})
    return SITUATIONS[int(chosen)] if chosen else None


def choose_way(asker: Asker, situation: Situation, bench: Bench, job: Job | None) -> str:
    """Say what to know first, and return what is to be done: a plan's name or a deed; empty to go back."""
    from verifyrig.dialogs.job_interview import pick

    for sentence in situation.says:
        asker.say(sentence)
    ways = [Deed.TAKE_IN, *situation.ways] if job is None else list(situation.ways)
    names = dict.fromkeys(str(_of_its_kind(bench, job) if way == OF_ITS_KIND else way) for way in ways)
    titles = {name: DEED_TITLES[Deed(name)] if name in tuple(Deed) else plan_title(bench, name) for name in names}
    if job is None:
        titles.pop(Deed.FINDING, None)  # there is no job yet that could keep it
    return pick(asker, "What now?", titles | {"": "back"})


def _of_its_kind(bench: Bench, job: Job | None) -> str:
    from verifyrig.bench.find_profile import list_profiles

    kind = job.intake.machine.kind if job is not None else ""
    return kind if kind in {file.name for file in list_profiles(bench)} else _ANY_KIND


def set_up_probes(asker: Asker, bench: Bench) -> None:
    """Ask for probes alone, and write them into bench.toml."""
    from verifyrig.bench.folder import change_config
    from verifyrig.commands.setup import ask_probes, changed_settings

    instruments = ask_probes(asker, bench.config)
    if instruments:
        path = bench.root / "bench.toml"
        change_config(path, lambda text: changed_settings(text, {}, instruments))
        asker.say(f"Written: {path}")


def ask_stick(asker: Asker) -> str:
    """Return the bench folder of a stick; empty to go back."""
    from verifyrig.dialogs.checked import ask_checked

    return ask_checked(asker, "Where does its bench folder lie? (such as /media/stick/bench)", _check_folder)


def _check_folder(text: str) -> None:
    """Raise `UsageError` where a path leads to no folder."""
    if not Path(text).expanduser().is_dir():
        raise UsageError("there is no such folder", where="path", mend="Type it as the system shows it.")
