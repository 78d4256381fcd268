"""What ties the signed page to its records: their digests in words and as a QR code, and the key that signed them."""

from __future__ import annotations

from typing import Any, NamedTuple

from verifyrig.report.inputs import ReportInput, RunInput
from verifyrig.report.wording import Words

# Modules of blank paper around the code (ISO/IEC 18004: four).
_QUIET = 4
# About a seventh of the signs may be lost to folds and coffee; a higher level makes the modules too small to print.
_ERROR_LEVEL = "m"


class ProofLine(NamedTuple):
    """One record behind the page: what it stands for, its digest in two halves, and the key that signed it."""

    role: str
    run: str
    halves: tuple[str, str]
    key: str


class Proof(NamedTuple):
    """The lines, and the same as a code."""

    lines: list[ProofLine]
    code: Any


def proof_of(report: ReportInput, words: Words) -> Proof | None:
    """Return what is printed beside the signatures; None where no record can be read."""
    shown = _shown(report, words)
    lines = [
        ProofLine(role, run.run_id, (run.digest[:32], run.digest[32:]), _key(run)) for role, run in shown if run.digest
    ]
    return Proof(lines, qr_svg(proof_text(report))) if lines else None


def proof_text(report: ReportInput) -> str:
    """Return what the code holds: plain lines, so that any reader shows them and `inspect --printed` takes them."""
    lines = ["verifyrig 1", f"report {report.number}"]
    for name, run in (("before", report.before_run), ("after", report.after_run)):
        if run is not None and run.digest:
            key = _key(run).replace(" ", "")
            lines.append(f"{name} {run.run_id} {run.digest}" + (f" {key}" if key else ""))
    return "\n".join(lines)


def _shown(report: ReportInput, words: Words) -> list[tuple[str, RunInput]]:
    pairs = [(words.t("before"), report.before_run), (words.t("after"), report.after_run)]
    return [(role, run) for role, run in pairs if run is not None]


def _key(run: RunInput) -> str:
    """Return the short name of the key whose signature fits; empty where nobody signed."""
    return next((fingerprint for _, fingerprint, _, fits in run.signatures if fits), "")


def qr_matrix(text: str) -> tuple[tuple[bool, ...], ...]:
    """Return the modules of a QR code, dark ones true, with the quiet zone around it."""
    import segno

    code = segno.make_qr(text, error=_ERROR_LEVEL, boost_error=False)
    return tuple(tuple(bool(module) for module in row) for row in code.matrix_iter(border=_QUIET))


def qr_svg(text: str) -> Any:
    """Return the code as SVG: one path of dark modules on white, whatever the paper's colour."""
    from markupsafe import Markup

    modules = qr_matrix(text)
    size = len(modules)
    strokes = "".join(
        f"M{x} {y}h{length}v1h-{length}z" for y, row in enumerate(modules) for x, length in _dark_stretches(row)
    )
    ground = f'<rect width="{size}" height="{size}" fill="#FFFFFF"/>'
    return Markup(
        f'<svg class="code" viewBox="0 0 {size} {size}" shape-rendering="crispEdges" role="img" aria-label="QR">'
        f'{ground}<path fill="#000000" d="{strokes}"/></svg>'
    )


def _dark_stretches(row: tuple[bool, ...]) -> list[tuple[int, int]]:
    found: list[tuple[int, int]] = []
    for x, dark in enumerate(row):
        if dark and found and sum(found[-1]) == x:
            found[-1] = (found[-1][0], found[-1][1] + 1)
        elif dark:
            found.append((x, 1))
    return found
