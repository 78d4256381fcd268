"""Somebody who answers from a list, for tests: keys and lines in the order in which they are asked for."""

from __future__ import annotations

from collections.abc import Sequence

from verifyrig.dialogs.prompt import NobodyThere, Option


class FakeAsker:
    """Answers what the list holds; an answer that does not fit the question fails the test."""

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.asked: list[str] = []
        self.said: list[str] = []

    def say(self, text: str = "") -> None:
        self.said.append(text)

    def choose(self, question: str, options: Sequence[Option], default: str = "") -> str:
        key = self._next(question) or default
        assert key in [option.key for option in options], f"{question}: {key!r} of {options}"
        return key

    def row(self, question: str, rows: Sequence[str]) -> int:
        number = int(self._next(question))
        self.said += rows
        assert 1 <= number <= len(rows), f"{question}: {number} of {rows}"
        return number - 1

    def line(self, question: str, default: str = "", typed: str = "") -> str:
        return self._next(question) or default

    def _next(self, question: str) -> str:
        self.asked.append(question)
        if not self.answers:
            raise NobodyThere
        return self.answers.pop(0)
