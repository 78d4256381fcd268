"""The sandbox, and what is watched in it: exit code, time, writes, loads."""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import signal
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

from verifyrig.commands import cli

HANG_S = 60.0
CODES = (0, 1, 2, 3, 4, 130)
_LONGEST_SIMULATED_S = 900.0
_PATH_EVENTS = {  # audit events of the standard library: which of their arguments name what is written
    "os.rename": (0, 1),
    "os.link": (1,),
    "os.symlink": (1,),
    "os.mkdir": (0,),
    "os.remove": (0,),
    "os.rmdir": (0,),
    "os.truncate": (0,),
    "os.chmod": (0,),
    "os.utime": (0,),
    "shutil.copyfile": (1,),
    "shutil.rmtree": (0,),
}


class Hang(BaseException):
    """A command took longer than `HANG_S`; no handler of the program catches it."""


@dataclass
class Place:
    """A sandbox: the bench, a stick beside it, a folder for outputs, and what belongs to nobody here.

    Attributes:
        broken: What went wrong so far, in words; empty where all is well.
        codes: How many command lines ended with which code.
        own: The bench folder of the present command line.
    """

    root: Path
    broken: list[str] = field(default_factory=list)
    codes: dict[int, int] = field(default_factory=dict)
    own: Path = Path("/nonexistent")

    @property
    def bench(self) -> Path:
        """The bench folder."""
        return self.root / "bench"

    @property
    def stick(self) -> Path:
        """Another bench folder, of somebody else."""
        return self.root / "stick"

    @property
    def out(self) -> Path:
        """Where outputs are asked for."""
        return self.root / "out"

    @property
    def others(self) -> Path:
        """Files of this computer that have nothing to do with the bench."""
        return self.root / "others"

    def call(self, *words: str, bench: Path | None = None) -> int:
        """Run one command line as a program would, and note what must not happen."""
        self.own = bench or self.bench
        line = [*words, "--bench", str(self.own)]
        with _watched(self, line):
            code = _run(line, self)
            self.codes[code] = self.codes.get(code, 0) + 1
            return code


@contextlib.contextmanager
def place() -> Iterator[Place]:
    """Yield a fresh sandbox; the working folder is inside it, and others' files are looked at afterwards."""
    root = Path(tempfile.mkdtemp(prefix="hostile-"))
    before = Path.cwd()
    found = Place(root)
    for folder in (found.bench, found.stick, found.out, found.others):
        folder.mkdir()
    (found.others / "letter.jpg").write_bytes(b"private")
    (found.others / "job.toml").write_text("private = 1\n", encoding="utf-8")
    os.chdir(found.out)
    seen = _seen(found.others)
    try:
        yield found
        if _seen(found.others) != seen:
            found.broken.append("a file of others was changed")
    finally:
        os.chdir(before)
        shutil.rmtree(root, ignore_errors=True)


def _seen(folder: Path) -> list[tuple[str, bytes]]:
    return [(path.name, path.read_bytes()) for path in sorted(folder.iterdir())]


def _run(line: Sequence[str], place: Place) -> int:
    out, err = io.TextIOWrapper(io.BytesIO(), "utf-8"), io.TextIOWrapper(io.BytesIO(), "utf-8")
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = cli.run(list(line))
        except Hang:
            place.broken.append(f"hang: {_short(line)}")
            return -1
        except SystemExit as error:
            code = int(error.code or 0)
        except BaseException as error:
            place.broken.append(f"{type(error).__name__}: {error}: {_short(line)}")
            return -2
        err.flush()
        said = err.buffer.getvalue().decode("utf-8", "replace")
    if code not in CODES:
        place.broken.append(f"exit {code}: {_short(line)}: {said[-300:]}")
    return code


def _short(line: Sequence[str]) -> str:
    return " ".join(word if len(word) < 60 else word[:57] + "..." for word in line)


# ---- hang, writes, loads


@contextlib.contextmanager
def _watched(place: Place, line: Sequence[str]) -> Iterator[None]:
    def ring(number: int, frame: FrameType | None) -> None:
        raise Hang

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, HANG_S, 1.0)
    _WATCH.append((place, line))
    try:
        with _loads_watched(place):
            yield
    except Hang:
        place.broken.append(f"hang: {_short(line)}")
    finally:
        _WATCH.clear()
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


_WATCH: list[tuple[Place, Sequence[str]]] = []


def _audit(event: str, args: tuple[Any, ...]) -> None:
    if not _WATCH:
        return
    if event == "open":
        name, mode, flags = args
        writes = (isinstance(mode, str) and set(mode) & set("wax+")) or (
            isinstance(flags, int) and flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC)
        )
        names = [name] if writes else []
    elif event == "sqlite3.connect":
        names = [] if "mode=ro" in str(args[0]) or "immutable=1" in str(args[0]) else [args[0]]
    else:
        names = [args[at] for at in _PATH_EVENTS.get(event, ()) if at < len(args)]
    for name in names:
        if isinstance(name, str | bytes | os.PathLike):
            _look_at(os.fsdecode(name), event)


def _look_at(name: str, event: str) -> None:
    place, line = _WATCH[-1]
    if name.startswith("file:"):
        name = name.removeprefix("file://").partition("?")[0]
    if name in (":memory:", os.devnull):
        return
    watched, _WATCH[:] = list(_WATCH), []  # looking asks the file system, which is no write of the program's
    try:
        real = os.path.realpath(name)
        allowed = [os.path.realpath(folder) for folder in (place.own, place.out)]
        inside = any(real == folder or real.startswith(folder + os.sep) for folder in allowed)
        own_temporary = Path(real).is_relative_to(tempfile.gettempdir()) and "verifyrig-" in real
        of_python = real.endswith(".pyc") or "__pycache__" in real or real.startswith(("/proc/", "/dev/"))
    finally:
        _WATCH[:] = watched
    if not (inside or own_temporary or of_python):
        place.broken.append(f"write outside ({event} {real}): {_short(line)}")


sys.addaudithook(_audit)


@contextlib.contextmanager
def _loads_watched(place: Place) -> Iterator[None]:
    """While inside, a load of the simulated machine that starts with no temperature armed for it is noted."""
    from verifyrig.core.clock import VirtualClock
    from verifyrig.loads.file_load import FileLoad
    from verifyrig.rig.runner import Runner

    rigs: list[Any] = []
    made, start, sleep = Runner.__init__, FileLoad.start, VirtualClock.sleep_until

    def begin(self: Any, rig: Any, *more: Any, **named: Any) -> None:
        rigs.append(rig)
        made(self, rig, *more, **named)

    def start_load(self: Any, demand: Any) -> None:
        if rigs and not _is_guarded(rigs[-1]):
            place.broken.append(f"heat without a guard: {demand}")
        start(self, demand)

    def sleep_until(self: Any, t_s: float, wake: Any) -> None:
        if rigs and t_s > _LONGEST_SIMULATED_S:  # a plan of days is no hang
            rigs[-1].controls.quit("operator")
            t_s = min(t_s, self.now_s() + 1.0)
        sleep(self, t_s, wake)

    Runner.__init__, FileLoad.start, VirtualClock.sleep_until = begin, start_load, sleep_until  # type: ignore[method-assign]
    try:
        yield
    finally:
        Runner.__init__, FileLoad.start, VirtualClock.sleep_until = made, start, sleep  # type: ignore[method-assign]


def _is_guarded(rig: Any) -> bool:
    """Return whether a limit on a temperature, one that metal survives, is armed, or the load is a short blind one.

    150 °C: above it no processor, memory or supply of a computer works (common practice, no source).
    """
    hot = [one for one in rig.armed if "_temp_c" in one.channel and one.maximum is not None and one.maximum <= 150.0]
    return bool(hot) or (rig.blind and rig.profile.blind_load_s is not None and rig.profile.blind_load_s <= 30.0)
