"""Changes bench.toml on disk: read, changed as text, written aside and renamed."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path

from verifyrig.core.errors import BenchError
from verifyrig.files.settings_text import Changed


def change_file(path: Path, change: Callable[[str], Changed]) -> Changed:
    """Write what `change` makes of the file's text, which is empty for a file that does not exist.

    Raises:
        BenchError: The file cannot be read or written, or is no TOML.
    """
    from verifyrig.files.atomic_write import write_whole

    try:
        text = path.read_text(encoding="utf-8") if path.exists() else ""
        changed = change(text)
        write_whole(path, changed.text)
    except tomllib.TOMLDecodeError as error:
        raise BenchError(f"not valid TOML ({error})", where=str(path), mend="Mend the line named.") from error
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise BenchError(
            f"cannot be changed ({reason})", where=str(path), mend="Check the file's rights and the space on the disk."
        ) from error
    return changed
