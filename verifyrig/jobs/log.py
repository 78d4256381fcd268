"""The log of jobs that are gone, or whose personal data are: `jobs/log.toml`, a line each, without a customer's name.

An id that stands in it is never given to another job, and a copy of a deleted job does not come back from a stick.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import JobError
from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.files.toml_table import load_toml

LOG_NAME = "log.toml"
DELETED, CLEARED = "deleted", "cleared"


def read_log(bench: Bench) -> list[dict[str, Any]]:
    """Return the lines, oldest first; raise `JobError` where they cannot be read."""
    path = bench.jobs_dir / LOG_NAME
    try:
        lines = load_toml(read_text(path, FileKind.JOB, inside=bench.jobs_dir)).get("line", [])
    except (FileNotFoundError, NotADirectoryError):
        return []
    except (OSError, ValueError) as error:
        raise JobError(f"cannot be read ({error})", where=str(path), mend="Check the file and its rights.") from error
    return [line for line in lines if isinstance(line, dict)] if isinstance(lines, list) else []


def deleted_ids(bench: Bench) -> set[str]:
    """Return the ids of the jobs that were deleted here."""
    return {str(line.get("job")) for line in read_log(bench) if line.get("what") == DELETED}


def note_gone(bench: Bench, job_id: str, what: str, *, why: str, by: str, now: datetime, records: int = 0) -> None:
    """Append a line; raise `JobError` where it cannot be written."""
    import tomli_w

    from verifyrig.files.atomic_write import write_whole

    told = {"time": now.astimezone(UTC).replace(microsecond=0), "job": job_id, "what": what, "by": by, "reason": why}
    line = {key: value for key, value in (told | {"records": records}).items() if value not in ("", 0)}
    lines = [*read_log(bench), line]
    try:
        write_whole(bench.jobs_dir / LOG_NAME, tomli_w.dumps({"line": lines}))
    except OSError as error:
        raise JobError(
            f"the log cannot be written ({error.strerror or error})",
            where=str(bench.jobs_dir / LOG_NAME),
            mend="Check the folder's rights and the space on the disk.",
        ) from error
