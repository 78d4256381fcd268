"""What is asked once and kept on the stick, in its `stick.toml`: the keyboard's layout."""

from __future__ import annotations

import subprocess
from pathlib import Path

from verifyrig.bench.folder import Bench, change_config
from verifyrig.dialogs.prompt import Asker
from verifyrig.files.atomic_write import write_whole
from verifyrig.files.toml_edit import set_keys

TABLES = Path("/usr/lib/verifyrig-stick/keyboards")
# As people call them; the file of each has the key as its name.
LAYOUTS = {
    "us": "US", "gb": "UK", "de": "Deutsch", "ch-de": "Schweiz (deutsch)", "ch-fr": "Suisse (français)",
    "fr": "Français", "be": "Belgique / België", "it": "Italiano", "es": "Español", "pt": "Português",
    "br": "Português (Brasil)", "nl": "Nederlands", "dk": "Dansk", "no": "Norsk", "se": "Svenska", "fi": "Suomi",
    "pl": "Polski", "cz": "Čeština", "hu": "Magyar", "tr": "Türkçe",
}  # fmt: skip
LANGUAGES = {"en": "English", "de": "Deutsch"}
_NAME = "stick.toml"


def ask_once(bench: Bench, asker: Asker, tables: Path = TABLES) -> None:
    """Ask for keyboard and language of the reports where the stick does not know them yet, and keep them."""
    if not (bench.root / _NAME).is_file():
        ask_keyboard(bench, asker, tables)
        ask_language(bench, asker)


def ask_keyboard(bench: Bench, asker: Asker, tables: Path = TABLES) -> None:
    """Ask for the layout, use it at once, and keep it: the next start has it before the first key."""
    layout = list(LAYOUTS)[asker.row("Keyboard layout?", list(LAYOUTS.values()))]
    use_keyboard(tables / layout)
    write_whole(bench.root / _NAME, f'# Asked once; `keyboard` in the menu asks again.\nkeyboard = "{layout}"\n')


def ask_language(bench: Bench, asker: Asker) -> None:
    """Ask for the language of the pages that are printed, and keep it in bench.toml."""
    language = list(LANGUAGES)[asker.row("Language of the reports?", list(LANGUAGES.values()))]
    change_config(bench.root / "bench.toml", lambda text: set_keys(text, ("report",), {"language": language}))


def use_keyboard(table: Path) -> None:
    """Give the kernel a layout; a console that has none, such as a serial line, stays as it is."""
    try:
        with table.open("rb") as file:
            subprocess.run(["busybox", "loadkmap"], stdin=file, capture_output=True, timeout=20, check=False)
    except (OSError, subprocess.SubprocessError):
        return
