"""Finds profiles on disk: a path, the bench's own, then the shipped ones.

Earlier editions of the shipped ones are kept, so that what was begun with one is finished with it.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
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
# Below the shipped profiles: a folder for each time that some of them were changed. No list shows them.
_EARLIER = "earlier"


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


def find_profile(name_or_path: str, bench: Bench, recipes: Sequence[str] = ()) -> Profile:
    """Return the profile meant by a path, or by a name of this bench or of the shipped ones.

    Args:
        recipes: Of the runs that its own is to be compared with, the newest first. Of a shipped profile the edition is
            taken that has the first of them that any edition has.

    Raises:
        ProfileError: There is none, or it cannot be used as it is written.
    """
    own = {file.path for file in list_profiles(bench) if file.own}
    try:
        path = find_profile_file(name_or_path, bench)
    except ProfileError:
        earlier = _earlier_edition(name_or_path, recipes, None)
        if earlier is None:
            raise
        return earlier
    now = parse_profile(read_profile_text(path), origin=path.name)
    if _is_path(name_or_path) or path in own:
        return now
    return _earlier_edition(name_or_path, recipes, now) or now


def _earlier_edition(name: str, recipes: Sequence[str], now: Profile | None) -> Profile | None:
    """Return the earlier edition that has the first of the recipes; None where the present one has it, or none."""
    if not recipes or not ID_PATTERN.fullmatch(name):
        return None
    paths = sorted((shipped_dir() / _EARLIER).glob(f"*/{name}.toml"), reverse=True)
    editions = [parse_profile(read_profile_text(path), origin=path.name, recorded=True) for path in paths]
    for recipe in recipes:
        if now is not None and recipe == now.recipe:
            return None
        for edition in editions:
            if edition.recipe == recipe:
                return edition
    return None


def find_profile_file(name_or_path: str, bench: Bench) -> Path:
    """Return the file of a profile, meant by a path or by a name; raise `ProfileError` where there is none."""
    if _is_path(name_or_path):
        return Path(name_or_path)
    files = {file.name: file.path for file in list_profiles(bench)}
    if ID_PATTERN.fullmatch(name_or_path) and name_or_path in files:
        return files[name_or_path]
    raise ProfileError("no such profile", where=plain_line(name_or_path, 200), mend=meant(name_or_path, sorted(files)))


def _is_path(name_or_path: str) -> bool:
    return name_or_path.endswith(".toml") or os.sep in name_or_path or "/" in name_or_path


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
