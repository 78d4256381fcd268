"""Where a dataset lies: a folder or an object store, each file put in its place whole, and a list of them by bench.

Stores list what they hold late, but give what was put under a known name at once. So each bench keeps the list of its
files under one name, `site=NAME/BENCH.files.json`: a file stands in it from the moment it can be read, whatever a
listing says.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from verifyrig.core.errors import RecordError, RigError, UsageError

__all__ = ["FILES_ENDING", "DatasetPlace", "open_place", "saying"]

FILES_ENDING = ".files.json"


def open_place(url: str) -> DatasetPlace:
    """Return the place of a path or URL that fsspec knows.

    Raises:
        UsageError: fsspec is not installed, or knows no such place.
    """
    try:
        import fsspec
    except ImportError as error:
        mend = "Install it: pip install 'verifyrig[fleet]'."
        raise UsageError("a dataset needs the extra `fleet`", where=url, mend=mend) from error
    try:
        system, path = fsspec.core.url_to_fs(url)
    except (ValueError, ImportError) as error:
        raise UsageError(f"this place is not known ({error})", where=url, mend="Name a folder or a URL.") from error
    return DatasetPlace(system, str(path))


class DatasetPlace:
    """One dataset's place; names are relative to it."""

    def __init__(self, system: Any, root: str) -> None:
        self.system, self.root = system, root.rstrip("/")

    def path(self, name: str) -> str:
        """Return the path of a file as the file system takes it."""
        return f"{self.root}/{name}"

    def names(self) -> list[str]:
        """Return every Parquet file, those that a listing does not show yet too, in order.

        Raises:
            RecordError: The place cannot be listed.
        """
        self.system.invalidate_cache()
        with saying("listed", self.root, "Check the place and your rights to it."):
            listed = [str(path)[len(self.root) + 1 :] for path in self.system.find(self.root)]
        lists = [name for name in listed if name.endswith(FILES_ENDING)]
        told = [f"{name.rpartition('/')[0]}/{own}" for name in lists for own in self.told(name)]
        return sorted({*(name for name in listed if name.endswith(".parquet")), *told})

    def told(self, name: str) -> list[str]:
        """Return the files that the list of a bench names, relative to the list; none where there is no list."""
        content = self.read(name)
        try:
            files = [] if content is None else json.loads(content)["files"]
            return [own for own in files if isinstance(own, str) and ".." not in own.split("/")]
        except (ValueError, KeyError, TypeError) as error:
            raise RecordError("this is no list of files", where=self.path(name), mend="Export anew.") from error

    def tell(self, name: str, files: Sequence[str]) -> None:
        """Put the list of a bench's files, relative to the list, in its place."""
        self.put(name, json.dumps({"files": sorted(files)}, indent=1).encode("utf-8"))

    def read(self, name: str) -> bytes | None:
        """Return what a file holds, None where there is none."""
        path = self.path(name)
        with saying("read", path, "Try again."), contextlib.suppress(FileNotFoundError):
            return bytes(self.system.cat_file(path))
        return None

    @contextlib.contextmanager
    def opened(self, name: str) -> Iterator[Any]:
        """Yield an open file, None where there is none.

        Raises:
            RecordError: It cannot be read.
        """
        path = self.path(name)
        with saying("read", path, "Try again; if that fails too, remove the file and export it anew."):
            try:
                file = self.system.open(path, "rb")
            except FileNotFoundError:
                file = None
            if file is None:
                yield None
            else:
                with file:
                    yield file

    def put(self, name: str, content: bytes) -> None:
        """Put a file in its place whole: by a rename on a file system, by one upload on an object store.

        Raises:
            RecordError: It cannot be written; what was there before is there still.
        """
        path = self.path(name)
        with saying("written", path, "Check the place and your rights to it, then export again."):
            if "file" in self.system.protocol:
                _put_file(Path(path), content)
            else:
                self.system.pipe_file(path, content)

    def remove(self, name: str) -> None:
        """Remove a file; one that is gone already is no fault."""
        path = self.path(name)
        with saying("removed", path, "Remove it by hand."), contextlib.suppress(FileNotFoundError):
            self.system.rm_file(path)


@contextlib.contextmanager
def saying(done: str, path: str, mend: str) -> Iterator[None]:
    """Turn what a store's library raises into one sentence.

    Raises:
        RecordError: Something failed. Each library has kinds of errors of its own, of which many are no OSError.
    """
    try:
        yield
    except RigError:
        raise
    except Exception as error:
        why = getattr(error, "strerror", None) or str(error).partition("\n")[0].rstrip(".") or type(error).__name__
        raise RecordError(f"cannot be {done} ({why})", where=path, mend=mend) from error


def _put_file(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_name(f".{path.name}.{secrets.token_hex(4)}.new")  # of each writer its own, on any computer
    try:
        with aside.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)
