"""A line that is asked for again until it is valid; what was typed stands there to be corrected."""

from __future__ import annotations

from collections.abc import Callable

from verifyrig.core.errors import RigError
from verifyrig.dialogs.prompt import Asker


def ask_checked(asker: Asker, question: str, check: Callable[[str], object], default: str = "") -> str:
    """Return a line that `check` takes; an empty one leaves the question out.

    Args:
        check: Raises `RigError` for what is not valid; its text says what is.
        default: What an empty line stands for.
    """
    text = asker.line(question, default=default)
    while text:
        try:
            check(text)
        except RigError as error:
            asker.say(f"{error.what}. {error.mend}")
            text = asker.line(f"{question} (empty: leave it out)", typed=text)
        else:
            break
    return text
