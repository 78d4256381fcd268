"""Bare `verifyrig`: where the open job stands and what comes next; numbered choices, one key each.

What it does it does through the other commands, with words as somebody could have typed them; it asks only for what
the job cannot say.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import Answer, Context
from verifyrig.commands.job_upkeep import clear_due
from verifyrig.commands.measuring import AtHand, Measuring, case_of, measure_label, next_plan
from verifyrig.commands.ways import ask_stick, choose_plan, choose_situation, choose_way, set_up_probes
from verifyrig.commands.which_job import choose_job, name_at_place, place_meant
from verifyrig.commands.who import ask_anew, ask_who, at_the_bench
from verifyrig.core.errors import RigError
from verifyrig.core.plain_text import plain_line
from verifyrig.dialogs.prompt import Asker, Option, TerminalAsker
from verifyrig.files.streams import tell
from verifyrig.jobs.model import EntryKind, Job, RunFacts
from verifyrig.jobs.rules import in_order, load_caution
from verifyrig.jobs.screen import SHIFT_NOTE, danger_lines, entry_line, run_line, standing_of
from verifyrig.jobs.situations import SITUATIONS, Deed, Situation
from verifyrig.system.in_memory import IN_MEMORY, lies_in_memory
from verifyrig.system.stick import this_stick

if TYPE_CHECKING:
    from verifyrig.stick.desk import StickDesk

LEAVE = "q"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Item:
    key: str
    label: str
    act: Callable[[], None]


def execute(context: Context, asker: Asker | None = None) -> Answer:
    """Show the screen and follow the keys until somebody leaves."""
    at_terminal, asker = asker is None, asker or TerminalAsker()
    stick = _stick_desk(context.bench, asker)
    if stick is not None:
        stick.begin()
    with stick.writing() if stick is not None else nullcontext():
        for line in clear_due(context):
            tell(line)
        if at_terminal:
            ask_who(context.bench, asker)
    desk = _Desk(context.bench.root, asker, stick)
    while desk.turn():
        pass
    return Answer()


def _stick_desk(bench: Bench, asker: Asker) -> StickDesk | None:
    """Return the stick's part of the screen; None on a system that was not started from one."""
    stick = this_stick()
    if stick is None:
        return None
    from verifyrig.stick.desk import StickDesk

    return StickDesk(stick, bench, asker)


class _Desk:
    """The desk with the job that somebody works at; everything is read anew before each screen."""

    def __init__(self, root: Any, asker: Asker, stick: StickDesk | None = None) -> None:
        self._root = root
        self._asker = asker
        self._stick = stick
        self._measuring = Measuring(asker)
        self._bench: Bench = find_bench(str(root))
        self._job: Job | None = None
        self._wanted = ""
        self._without_job = False
        self._runs: list[RunFacts] = []

    def turn(self) -> bool:
        """Show one screen and do what is chosen; return False where somebody leaves."""
        self._look()
        items = [*self._items(), *self._stick_items()]
        default = self._default()
        for line in self._head():
            self._asker.say(line)
        options = [Option(key=item.key, label=item.label) for item in items]
        key = self._asker.choose("", [*options, Option(key=LEAVE, label="leave")], default=default)
        if key == LEAVE:
            return False
        try:
            with self._stick.writing() if self._stick is not None else nullcontext():
                next(item for item in items if item.key == key).act()
        except RigError as error:
            self._asker.say(f"{error}")
        except KeyboardInterrupt:
            # Ctrl-C or Ctrl-D at a question leads back here; where the terminal is gone the next question ends it all.
            self._asker.say("Left.")
        return True

    def _look(self) -> None:
        from verifyrig.jobs.runs import runs_of

        self._bench = find_bench(str(self._root))
        self._job = self._job_at_hand()
        self._runs = runs_of(self._bench, self._job.job_id) if self._job is not None else []

    def _job_at_hand(self) -> Job | None:
        """Return the job that somebody works at; where several are open and none stands here, they say which."""
        from verifyrig.jobs.store import open_jobs
        from verifyrig.jobs.which import SeveralJobs, meant_of

        jobs = open_jobs(self._bench)
        job = next((job for job in jobs if job.job_id == self._wanted), None)
        if job is None and not (self._without_job and jobs):
            self._without_job = False
            try:
                job = meant_of(jobs, str(self._root), place_meant(Context(bench=self._bench), None))
            except SeveralJobs as several:
                job = self._chosen(several.jobs)
        self._wanted = job.job_id if job is not None else ""
        return job

    def _chosen(self, jobs: Sequence[Job]) -> Job | None:
        job = choose_job(self._asker, jobs, "none of them")
        self._without_job = job is None
        return job

    def _another(self) -> None:
        from verifyrig.jobs.store import open_jobs

        jobs = open_jobs(self._bench)
        job = self._chosen(jobs) if jobs else None
        self._wanted = job.job_id if job is not None else ""

    def _take_in(self) -> None:
        from verifyrig.jobs.store import open_jobs

        before = {job.job_id for job in open_jobs(self._bench)}
        self._do("job", "open")
        new = [job.job_id for job in open_jobs(self._bench) if job.job_id not in before]
        self._wanted = new[-1] if new else self._wanted

    # ---- the screen

    def _head(self) -> list[str]:
        lines = [""]
        if case_of(self._at_hand):
            lines.append("Practice bench: simulated hardware.")
        if lies_in_memory(self._bench.root):
            lines.append(IN_MEMORY.format(folder=self._bench.root))
        lines += self._stick.lines() if self._stick is not None else []
        who = at_the_bench(self._bench)
        lines += [f"At the bench: {plain_line(who, 60)}"] if who else []
        if self._job is None:
            return [*lines, "No job." if self._without_job else "No job is open.", "What stands on the bench?"]
        job, intake = self._job, self._job.intake
        standing = standing_of(job, self._runs)
        lines += [f"{name_at_place(Context(bench=self._bench), job)}: {standing.word}", *danger_lines(job)]
        lines += [f"“{plain_line(intake.complaint, 100)}”"] if intake.complaint else []
        ordered = in_order(self._runs)
        lines += [f"Last: {run_line(ordered[-1])}"] if ordered else []
        notes = [entry for entry in job.of_kind(EntryKind.NOTE) if entry.what == SHIFT_NOTE]
        lines += [entry_line(notes[-1])] if notes else []
        caution = load_caution(job, self._runs)
        lines += [f"Beware: {caution.reason}."] if caution is not None else []
        return [*lines, f"Next: {standing.next_step}."]

    def _items(self) -> list[_Item]:
        if self._job is None:
            return [
                _Item(key="1", label="take a machine in: complaint, consent, machine", act=self._take_in),
                *(
                    _Item(key=str(n), label=_as_clause(situation.title), act=partial(self._in_situation, situation))
                    for n, situation in enumerate(SITUATIONS, start=2)
                ),
                _Item(key="8", label="shop, report, probes", act=lambda: self._do("setup")),
                *([_Item(key="9", label="the open jobs", act=self._another)] if self._without_job else []),
            ]
        return [
            _Item(key="1", label=f"measure: {measure_label(self._at_hand)}", act=self._measure),
            _Item(key="2", label="measure otherwise: how is the machine?", act=self._sort),
            _Item(key="3", label="note a finding", act=lambda: self._do_for("job", "finding")),
            _Item(key="4", label="record a change", act=lambda: self._do_for("job", "change")),
            _Item(key="5", label="what the evidence says", act=lambda: self._do_for("diagnose")),
            _Item(key="6", label="write the report", act=lambda: self._do("report", self._wanted)),
            self._ending_item(),
            _Item(key="8", label="show the whole job", act=lambda: self._do("job", "show", self._wanted)),
            _Item(key="9", label="more", act=self._more),
        ]

    def _stick_items(self) -> list[_Item]:
        """Return what concerns a stick: that this system runs from, or that was plugged into the shop's computer."""
        if self._stick is not None:
            cable = self._stick.cable
            return [
                _Item(key="b", label=cable.label, act=cable.ask),
                _Item(key="o", label="switch the machine off, then pull the stick", act=self._stick.switch_off),
            ]
        from verifyrig.jobs.plugged_sticks import plugged_sticks

        return [
            _Item(key=key, label=f"take the stick in: {plain_line(place, 60)}", act=partial(self._take_stick_in, place))
            for key, place in zip("stuv", plugged_sticks(self._bench), strict=False)
        ]

    def _take_stick_in(self, place: Path) -> None:
        self._do("runs", "--collect", str(place))
        self._asker.say("Let the system eject the stick before you pull it.")

    def _ending_item(self) -> _Item:
        if self._job is not None and self._job.closing is not None:
            return _Item(key="7", label="hand it over", act=lambda: self._do_for("job", "handover"))
        return _Item(key="7", label="close the job", act=lambda: self._do_for("job", "close"))

    def _default(self) -> str:
        """Return the key of what comes next, which Enter presses."""
        if self._job is None:
            return "1"
        word = standing_of(self._job, self._runs).word
        if word == "closed" and not self._reported():
            return "6"
        return {"locked": "8", "taken in": "1", "changed": "1", "test part fitted": "1", "measured": "4"}.get(word, "7")

    def _reported(self) -> bool:
        from verifyrig.report.index import has_current_report

        assert self._job is not None
        return has_current_report(self._bench, self._job.job_id)

    # ---- measuring

    @property
    def _at_hand(self) -> AtHand:
        return AtHand(bench=self._bench, job=self._job, runs=self._runs)

    def _measure(self) -> None:
        self._run(next_plan(self._at_hand))

    def _measure_with_another(self) -> None:
        self._run(choose_plan(self._asker, self._bench))

    def _run(self, profile: str) -> None:
        if self._stick is not None:
            self._stick.before_run(self._job.job_id if self._job is not None else None)
        self._do("run", *self._measuring.words(self._at_hand, profile))

    # ---- how the machine comes

    def _sort(self) -> None:
        situation = choose_situation(self._asker)
        if situation is not None:
            self._in_situation(situation)

    def _in_situation(self, situation: Situation) -> None:
        way = choose_way(self._asker, situation, self._bench, self._job)
        if way:
            self._way(way)

    def _way(self, way: str) -> None:
        deeds: dict[str, Callable[[], None]] = {
            Deed.TAKE_IN: self._take_in,
            Deed.FINDING: lambda: self._do_for("job", "finding"),
            Deed.HISTORY: lambda: self._do("history"),
            Deed.CHANNELS: lambda: self._do("channels"),
            Deed.PROBES: lambda: set_up_probes(self._asker, self._bench),
            Deed.STICK: self._collect,
            Deed.LOG: self._import,
            Deed.BY_TITLE: self._measure_with_another,
        }
        deeds.get(way, lambda: self._run(way))()

    def _collect(self) -> None:
        folder = ask_stick(self._asker)
        if folder:
            self._do("runs", "--collect", folder)

    def _import(self) -> None:
        from verifyrig.dialogs.import_interview import ask_import

        words = ask_import(self._asker)
        if words:
            self._do("import", *words, *(["--job", self._wanted] if self._job is not None else []))

    # ---- the rest

    def _more(self) -> None:
        from verifyrig.dialogs.job_interview import pick

        chosen = pick(
            self._asker,
            "",
            {
                "compare": "compare before and after",
                "runs": "list all runs",
                "channels": "what can be measured here",
                "history": "what the system remembers of its shut-downs",
                "open": "take another machine in",
                "list": "all jobs",
                "setup": "shop, report, probes",
                "another": "another open job",
                "note": "a note for the next shift",
                "labour": "note what was worked",
                "total": "what it comes to",
                "slip": "the intake slip, to be signed",
                "sign": "it was signed",
                "labels": "labels for machine, bag and probe",
                "correct": "correct or take back",
                "cancel": "cancel the job",
                "safety": "the whole safety text",
                "who": "somebody else is at the bench",
                "": "back",
            },
        )
        if chosen == "another":
            self._another()
        elif chosen == "open":
            self._take_in()
        elif chosen == "list":
            self._do("job", chosen)
        elif chosen == "safety":
            self._say_safety()
        elif chosen == "who":
            ask_anew(self._bench, self._asker)
        elif chosen in ("note", "labour", "total", "slip", "sign", "labels", "correct", "cancel"):
            self._do_for("job", chosen)
        elif chosen == "compare":
            self._do_for(chosen)
        elif chosen:
            self._do(chosen)

    def _say_safety(self) -> None:
        from verifyrig.jobs.cautions import notes_for
        from verifyrig.jobs.safety import FIRST_RULE

        self._asker.say(FIRST_RULE)
        for note in notes_for(None, self._job.intake.machine.kind if self._job is not None else None):
            self._asker.say(f"{note.title}: {note.text}")

    def _do_for(self, *words: str) -> None:
        """Do a command for the job at hand."""
        self._do(*words, "--job", self._wanted)

    def _do(self, name: str, *words: str) -> None:
        """Do a command as if its words had been typed, and print its answer."""
        from verifyrig.commands.parsers import command_parser
        from verifyrig.commands.printing import send

        parser, module = command_parser(name)
        args = parser.parse_args(_as_typed(words))
        # These two ask for what they need; the others ask nothing, or a person at the terminal about safety.
        more = {"asker": self._asker} if name in ("job", "setup") else {}
        send(module.execute(args, Context(bench=self._bench), **more))


def _as_clause(title: str) -> str:
    return title[:1].lower() + title[1:]


def _as_typed(words: Sequence[str]) -> list[str]:
    return [word for word in words if word]
