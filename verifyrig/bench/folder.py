"""The bench folder: where a shop keeps profiles, jobs, records and reports, and its settings in bench.toml."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from verifyrig.core.errors import BenchError, JobError, RecordError, UsageError
from verifyrig.files.foreign_file import FileKind, check_file, is_inside, read_text
from verifyrig.files.toml_table import Faults, raise_all

ID_PATTERN = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")


def check_id(text: str, what: str) -> str:
    """Return the id unchanged; raise `UsageError` where it could escape the bench folder or is no id."""
    if not ID_PATTERN.fullmatch(text):
        raise UsageError(
            f"{text!r} is no {what} id",
            where=f"{what} id",
            mend="Use small letters, digits and '-', at most 64, the first a letter or digit.",
        )
    return text


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A bench folder and what its bench.toml says; folders in it are made on first write."""

    root: Path
    config: dict[str, Any] = field(default_factory=dict)

    @property
    def operator(self) -> str:
        """Who works at this bench; empty where bench.toml does not say."""
        return str(self.config.get("shop", {}).get("operator", ""))

    @property
    def bench_id(self) -> str:
        """Name of this bench among the shop's others; empty where bench.toml does not say."""
        return str(self.config.get("bench", {}).get("id", ""))

    @property
    def golden_units(self) -> frozenset[str]:
        """The kept machines, which are measured again and again to watch the bench itself."""
        return frozenset(self.config.get("rig_check", {}).get("golden", ()))

    @property
    def is_shared(self) -> bool:
        """Whether other computers write to it as well: as bench.toml says, else where it lies on a network."""
        from verifyrig.files.shared_folder import is_on_network

        said = self.config.get("bench_folder", {}).get("shared")
        return said if isinstance(said, bool) else is_on_network(self.root)

    @property
    def jobs_dir(self) -> Path:
        """Folder of the jobs."""
        return self.root / "jobs"

    @property
    def reports_dir(self) -> Path:
        """Folder of the reports."""
        return self.root / "reports"

    @property
    def profiles_dir(self) -> Path:
        """Folder of the shop's own profiles."""
        return self.root / "profiles"

    def job_dir(self, job: str) -> Path:
        """Return the folder of a job, whether it exists or not."""
        return self.jobs_dir / check_id(job, "job")

    def runs_dir(self, job: str | None) -> Path:
        """Return the folder where records of a job, or of none, lie."""
        return self.root / "runs" if job is None else self.job_dir(job) / "runs"

    def writable(self, folder: Path) -> Path:
        """Return a folder of a job, into which is to be written.

        Raises:
            BenchError: It is a link out of the folder of the jobs. That one may itself be a link: it is the shop's own.
        """
        if folder.is_relative_to(self.jobs_dir) and not is_inside(folder, self.jobs_dir):
            raise BenchError(
                "this is a link out of the bench folder",
                where=str(folder),
                mend="Put a folder in the place of the link.",
            )
        return folder

    def records(self, job: str | None = None) -> list[Path]:
        """Return all records of the bench, or of one job, oldest id first."""
        self._check_readable()
        patterns = ("runs/*.sqlite", "jobs/*/runs/*.sqlite")
        if job is not None:
            return sorted(self.runs_dir(job).glob("*.sqlite"), key=lambda path: path.stem)
        return sorted((p for pattern in patterns for p in self.root.glob(pattern)), key=lambda path: path.stem)

    def find_record(self, text: str, job: str | None = None) -> Path:
        """Return the record meant by a path, run id, unique prefix, `first` or `last` (of the job, if one is open).

        Raises:
            RecordError: None or several fit.
        """
        as_path = Path(text)
        if as_path.suffix == ".sqlite" or os.sep in text:
            return _named_file(as_path)
        if text in ("first", "last"):
            own = self.records(job) if job is not None else self.records()
            if not own:
                raise RecordError(
                    "there is no record yet", where=text, mend="Run `verifyrig run` first, or name a record's path."
                )
            return own[0] if text == "first" else own[-1]
        found = [path for path in self.records() if path.stem.startswith(text)]
        exact = [path for path in found if path.stem == text]
        if len(exact) == 1 or len(found) == 1:
            return (exact or found)[0]
        what = f"{len(found)} records begin with it" if found else "no record of this bench begins with it"
        raise RecordError(what, where=text, mend="`verifyrig runs` lists the records with their ids.")

    def job_ids(self) -> list[str]:
        """Return the ids of all jobs of this bench; a folder whose name is no id is none of a job."""
        self._check_readable()
        names = (path.parent.name for path in self.jobs_dir.glob("*/job.toml"))
        return sorted(name for name in names if ID_PATTERN.fullmatch(name))

    def _check_readable(self) -> None:
        """Raise `BenchError` where a folder may not be looked into: to a search it would look empty."""
        for folder in (self.root, self.root / "runs", self.jobs_dir):
            if folder.is_dir() and not os.access(folder, os.R_OK | os.X_OK):
                raise BenchError(
                    "the folder may not be read", where=str(folder), mend="Check its rights, or who runs this."
                )

    def check_job(self, job: str) -> str:
        """Return the job's id; raise `JobError` where there is no such job."""
        if check_id(job, "job") not in self.job_ids():
            raise JobError("no such job", where=job, mend="`verifyrig job list` shows the jobs of this bench.")
        return job


def _named_file(path: Path) -> Path:
    """Return a record named by its path; raise `RecordError` where there is none."""
    try:
        check_file(path, FileKind.RECORD)
    except (OSError, ValueError) as error:
        missing = isinstance(error, FileNotFoundError | NotADirectoryError)
        why = "no such record" if missing else f"this is no record ({getattr(error, 'strerror', None) or error})"
        raise RecordError(
            why, where=_short(str(path)), mend="Check the path; `verifyrig runs` lists records."
        ) from error
    return path


def find_bench(option: str | None) -> Bench:
    """Return the bench folder: `--bench`, else VERIFYRIG_BENCH, else the nearest upward with bench.toml, else here.

    Raises:
        BenchError: bench.toml cannot be read, or something in it cannot be; the error names every fault.
    """
    named = option or os.environ.get("VERIFYRIG_BENCH")
    try:
        here = Path.cwd()
    except OSError as error:
        raise BenchError(
            "the working folder was deleted or moved away", where="verifyrig", mend="Change into another folder."
        ) from error
    try:
        root = here / Path(named).expanduser() if named else _nearest(here)
        unfit = root.exists() and not root.is_dir()
    except (OSError, ValueError, RuntimeError) as error:
        why = getattr(error, "strerror", None) or error
        raise BenchError(
            f"this is no folder ({why})", where=_short(str(named or here)), mend="Name a folder with --bench."
        ) from error
    if unfit:
        raise BenchError("this is no folder", where=str(root), mend="Name a folder with --bench.")
    return Bench(root=root, config=read_config(root / "bench.toml"))


def _short(text: str) -> str:
    return text if len(text) <= 200 else f"{text[:200]}..."


def _nearest(start: Path) -> Path:
    for folder in (start, *start.parents):
        if (folder / "bench.toml").is_file():
            return folder
    return start


def read_config(path: Path) -> dict[str, Any]:
    """Return bench.toml as nested dictionaries, empty where there is none.

    Raises:
        BenchError: It cannot be read, is no TOML, or says what cannot be; the error names every fault.
    """
    return _checked(_read_text(path), path)


def change_config(path: Path, change: Callable[[str], str]) -> dict[str, Any]:
    """Write what `change` makes of the file's text, and return what it says now.

    Args:
        path: bench.toml; made where it is missing.
        change: Gives the new text for the old one, through `toml_edit`.

    Raises:
        BenchError: The file cannot be read, edited or written, or would not be a bench.toml afterwards; it stays as
            it is then.
    """
    from verifyrig.files.atomic_write import write_whole
    from verifyrig.files.toml_edit import EditError

    text = _read_text(path)
    _checked(text, path)
    try:
        new = change(text)
    except EditError as error:
        raise BenchError(
            "it is written in a way that cannot be edited",
            where=str(path),
            mend="Write its tables as [table] and [[instrument]], one below another, or change it by hand.",
        ) from error
    config = _checked(new, path)
    try:
        write_whole(path, new)
    except OSError as error:
        raise BenchError(
            f"cannot be written ({error.strerror or error})",
            where=str(path),
            mend="Check the folder's rights and the space on the disk.",
        ) from error
    return config


def _read_text(path: Path) -> str:
    try:
        return read_text(path, FileKind.SETTINGS)
    except (FileNotFoundError, NotADirectoryError):
        return ""
    except (OSError, UnicodeDecodeError) as error:
        raise BenchError(f"cannot be read ({error})", where=str(path), mend="Check the file's rights.") from error


def _checked(text: str, path: Path) -> dict[str, Any]:
    if not text:
        return {}
    from verifyrig.bench.text import read_bench

    faults = Faults(origin=str(path))
    config = read_bench(text, faults)
    raise_all(faults, BenchError)
    return config
