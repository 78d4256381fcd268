"""Finds profiles on disk: a path, the bench's own, then the shipped ones."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from verifyrig.bench.folder import ID_PATTERN, Bench
from verifyrig.core.errors import ProfileError
from verifyrig.core.plain_text import plain_line
from verifyrig.core.profile import Profile
from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.files.toml_table import meant
from verifyrig.plan.text import parse_profile

_PACKAGE = Path(__file__).resolve().parent.parent


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileFile:
    """Where a profile of a name lies, and whether it is the shop's own."""

    name: str
    path: Path
    own: bool


def shipped_dir() -> Path:
    """Return the folder of the shipped profiles: package data in a wheel, `profiles/` beside it in a checkout."""
    packaged = _PACKAGE / "_data" / "profiles"
    return packaged if packaged.is_dir() else _PACKAGE.parent / "profiles"


def find_profile(name_or_path: str, bench: Bench) -> Profile:
    """Return the profile meant by a path, or by a name of this bench or of the shipped ones.

    Raises:
        ProfileError: There is none, or it cannot be used as it is written.
    """
    path = find_profile_file(name_or_path, bench)
    return parse_profile(read_profile_text(path), origin=path.name)


def find_profile_file(name_or_path: str, bench: Bench) -> Path:
    """Return the file of a profile, meant by a path or by a name; raise `ProfileError` where there is none."""
    if name_or_path.endswith(".toml") or os.sep in name_or_path or "/" in name_or_path:
        return Path(name_or_path)
    files = {file.name: file.path for file in list_profiles(bench)}
    if ID_PATTERN.fullmatch(name_or_path) and name_or_path in files:
        return files[name_or_path]
    raise ProfileError("no such profile", where=plain_line(name_or_path, 200), mend=meant(name_or_path, sorted(files)))


def list_profiles(bench: Bench) -> list[ProfileFile]:
    """Return all profiles by name, the bench's own before a shipped one of the same name."""
    # In a checkout the bench may be the checkout itself; its profiles are then the shipped ones, not a shop's.
    is_own = os.path.realpath(bench.profiles_dir) != os.path.realpath(shipped_dir())
    own = {path.stem: ProfileFile(name=path.stem, path=path, own=is_own) for path in bench.profiles_dir.glob("*.toml")}
    shipped = {
        path.stem: ProfileFile(name=path.stem, path=path, own=False)
        for path in shipped_dir().glob("*.toml")
        if path.stem not in own
    }
    return sorted((*own.values(), *shipped.values()), key=lambda file: file.name)


def read_profile_text(path: Path) -> str:
    """Return the text of a profile file; raise `ProfileError` where it cannot be read."""
    where = plain_line(path, 200)
    try:
        return read_text(path, FileKind.PROFILE)
    except FileNotFoundError as error:
        raise ProfileError(
            "no such file", where=where, mend="Check the path; `verifyrig profile list` shows the known ones."
        ) from error
    except UnicodeDecodeError as error:
        raise ProfileError("this is no UTF-8 text", where=where, mend="Save the file as UTF-8.") from error
    except (OSError, ValueError) as error:
        raise ProfileError(f"cannot be read ({error})", where=where, mend="Check the path and its rights.") from error
