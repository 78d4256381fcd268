"""Edge: prints a report to PDF through a Chromium that is installed already; nothing leaves the machine."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from verifyrig.core.errors import UsageError
from verifyrig.files.atomic_write import replacing
from verifyrig.files.output_file import PDF_MARK, Output, check_place

_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
_LIMIT_S = 120
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
    program = find_chromium(search_path)
    if program is None:
        raise UsageError(
            "no Chromium is installed, and a PDF is printed through one",
            where="--pdf",
            mend="Install it (`apt install chromium`), or open the HTML file in any browser and print it from there.",
        )
    target = page.with_suffix(".pdf")
    check_place(target, Output.PDF)
    # The file written aside gets its name only when it is whole, so that a PDF of before is not taken for this one.
    with tempfile.TemporaryDirectory(prefix="verifyrig-pdf-") as folder:
        aside = Path(folder) / "page.pdf"
        _print(program, page, aside, Path(folder))
        data = aside.read_bytes()
        try:
            with replacing(target) as file:
                # Readers look for the end mark within the last 1024 bytes (ISO 32000-1, annex H, from memory).
                file.write(data + (b"" if data.endswith(b"\n") else b"\n") + PDF_MARK.encode())
        except OSError as error:
            raise UsageError(
                f"cannot be written ({error.strerror or error})",
                where=str(target),
                mend="Check the folder and its rights.",
            ) from error
    return target


def _print(program: str, page: Path, target: Path, folder: Path) -> None:
    command = [program, *_FLAGS, f"--user-data-dir={folder / 'profile'}", f"--print-to-pdf={target}"]
    if sys.platform != "win32" and os.geteuid() == 0:
        command.append("--no-sandbox")
    try:
        done = subprocess.run(
            [*command, page.absolute().as_uri()], capture_output=True, text=True, timeout=_LIMIT_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise _failed(program, str(error)) from error
    if done.returncode != 0 or not target.is_file():
        raise _failed(program, (done.stderr.strip().splitlines() or ["no reason given"])[-1])


def _failed(program: str, why: str) -> UsageError:
    return UsageError(
        f"{program} did not print ({why})",
        where="--pdf",
        mend="Open the HTML file in a browser and print it from there.",
    )
