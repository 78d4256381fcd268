"""What every command that draws on records says first: what each is good for, where that is less than all."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from verifyrig.core.errors import ExitCode, first_code
from verifyrig.core.integrity import Integrity
from verifyrig.core.plain_text import plain_line
from verifyrig.files.streams import tell

_WARNINGS = {
    Integrity.ALTERED: "THE RECORD WAS ALTERED: {fault}. Take no figure of it for measured; `verifyrig inspect` says "
    "more.",
    Integrity.DAMAGED: "THE RECORD IS DAMAGED: {fault}. Take no figure of it for measured; take another copy of it.",
    Integrity.UNSEALED: "not sealed: the run was interrupted. It shows the machine as it was, for the diagnosis; it "
    "is no proof that a machine is sound.",
}


def warned_integrity(paths: Iterable[Path]) -> dict[Path, Integrity]:
    """Return what each record is good for, and say on stderr where that is less than all."""
    from verifyrig.record.check import integrity_of

    found = {}
    for path in paths:
        integrity, fault = integrity_of(path)
        found[path] = integrity
        if integrity in _WARNINGS:
            warning = _WARNINGS[integrity].format(fault=plain_line(fault, 200))
            tell(f"verifyrig: {plain_line(path, 300)}: {warning}")
    return found


def code_of(found: Mapping[Path, Integrity]) -> ExitCode:
    """Return `FAILED` where one of the records is broken."""
    return first_code(*(ExitCode.FAILED for integrity in found.values() if integrity.is_broken))
