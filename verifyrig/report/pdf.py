"""Edge: prints a page to PDF or PNG through a Chromium that is installed already; nothing leaves the machine."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from verifyrig.core.errors import UsageError
from verifyrig.files.atomic_write import replacing
from verifyrig.files.output_file import PDF_MARK, Output, check_place
from verifyrig.files.png_mark import marked_png

_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
_LIMIT_S = 120
_CSS_DPI = 96  # CSS Values and Units: 1in = 96px
_FLAGS = (
    "--headless",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-default-apps",
    "--disable-extensions",
    "--no-pdf-header-footer",
)


def find_chromium(search_path: str | None = None) -> str | None:
    """Return the first installed Chromium on the search path, None where there is none."""
    return next((found for name in _NAMES if (found := shutil.which(name, path=search_path))), None)


def write_pdf(page: Path, search_path: str | None = None) -> Path:
    """Print an HTML file to a PDF beside it; return that.

    Raises:
        UsageError: There is no Chromium, or it did not print.
    """
    target = page.with_suffix(".pdf")
    data = _made(page, target, Output.PDF, lambda aside: (f"--print-to-pdf={aside}",), "--pdf", search_path)
    # Readers look for the end mark within the last 1024 bytes (ISO 32000-1, annex H, from memory).
    _put(target, data + (b"" if data.endswith(b"\n") else b"\n") + PDF_MARK.encode())
    return target


def remove_prints(page: Path) -> list[Path]:
    """Remove PDF and PNG of ours beside a page that is about to be written anew; return what went.

    A print of yesterday beside the page of today would be taken for the same. What is no print of ours stays.

    Raises:
        UsageError: It cannot be removed.
    """
    gone = []
    for target, kind in ((page.with_suffix(".pdf"), Output.PDF), (page.with_suffix(".png"), Output.PNG)):
        try:
            check_place(target, kind)
        except UsageError:
            continue
        try:
            target.unlink()
        except (FileNotFoundError, NotADirectoryError):
            continue
        except OSError as error:
            why = f"the print of an earlier state cannot be removed ({error.strerror or error})"
            raise UsageError(why, where=str(target), mend="Check the folder and its rights.") from error
        gone.append(target)
    return gone


def write_png(page: Path, width_mm: float, height_mm: float, search_path: str | None = None) -> Path:
    """Draw an HTML file as PNG beside it, at 300 dots an inch; return that.

    Raises:
        UsageError: There is no Chromium, or it did not draw.
    """
    target = page.with_suffix(".png")
    width, height = (round(mm / 25.4 * _CSS_DPI) for mm in (width_mm, height_mm))
    flags = (f"--window-size={width},{height}", f"--force-device-scale-factor={300 / _CSS_DPI}", "--hide-scrollbars")
    data = _made(page, target, Output.PNG, lambda aside: (*flags, f"--screenshot={aside}"), "--png", search_path)
    _put(target, marked_png(data))
    return target


def _made(
    page: Path,
    target: Path,
    kind: Output,
    flags: Callable[[Path], tuple[str, ...]],
    where: str,
    search_path: str | None,
) -> bytes:
    """Return what Chromium makes of a page; it is made aside, so that an earlier one is not taken for it."""
    program = find_chromium(search_path)
    if program is None:
        raise UsageError(
            f"no Chromium is installed, and a {kind} is made by one",
            where=where,
            mend="Install it (`apt install chromium`), or open the HTML file in any browser and print it from there.",
        )
    check_place(target, kind)
    with tempfile.TemporaryDirectory(prefix="verifyrig-page-") as folder:
        aside = Path(folder) / f"page{target.suffix}"
        _drive(program, page, flags(aside), Path(folder), where)
        try:
            return aside.read_bytes()
        except OSError as error:
            raise _failed(program, where, "nothing was written") from error


def _put(target: Path, data: bytes) -> None:
    try:
        with replacing(target) as file:
            file.write(data)
    except OSError as error:
        raise UsageError(
            f"cannot be written ({error.strerror or error})", where=str(target), mend="Check the folder and its rights."
        ) from error


def _drive(program: str, page: Path, flags: Sequence[str], folder: Path, where: str) -> None:
    command = [program, *_FLAGS, f"--user-data-dir={folder / 'profile'}", *flags]
    if sys.platform != "win32" and os.geteuid() == 0:
        command.append("--no-sandbox")
    try:
        done = subprocess.run(
            [*command, page.absolute().as_uri()], capture_output=True, text=True, timeout=_LIMIT_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise _failed(program, where, str(error)) from error
    if done.returncode != 0:
        raise _failed(program, where, (done.stderr.strip().splitlines() or ["no reason given"])[-1])


def _failed(program: str, where: str, why: str) -> UsageError:
    return UsageError(
        f"{program} did not print ({why})",
        where=where,
        mend="Open the HTML file in a browser and print it from there.",
    )
