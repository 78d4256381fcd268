"""The tables that travel with the package: priors, signs, answers, findings; and the tests that may come next."""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from importlib import resources
from typing import Any

import numpy as np

from verifyrig.core.trace import FloatArray
from verifyrig.diagnosis.suspects import MECHANISMS, Mechanism, mechanisms_of

__all__ = ["column", "likelihood", "load", "prior", "words_of"]

_ELSE = "else"


@functools.cache
def load(name: str) -> Mapping[str, Any]:
    """Return one of the TOML files beside this module, as nested dictionaries."""
    text = resources.files("verifyrig.diagnosis").joinpath(f"{name}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def prior(*, complaint: bool = True) -> FloatArray:
    """Return the prior over `MECHANISMS`, made to sum to 1; without a complaint most machines are sound."""
    table = load("priors")["prior"]
    weights = np.array([float(table[mechanism.value]) for mechanism in MECHANISMS])
    weights /= weights.sum()
    if complaint:
        return weights
    sound = float(load("priors")["prior_without_complaint"]["none"])
    is_none = np.array([mechanism is Mechanism.NONE for mechanism in MECHANISMS])
    return np.where(is_none, sound, weights * (1 - sound) / weights[~is_none].sum())


def column(row: Mapping[str, float]) -> FloatArray:
    """Return a row of a table as one number a mechanism; a mechanism's own name wins over its cause's.

    Raises:
        KeyError: A name in the row is no mechanism and no cause.
    """
    values = dict.fromkeys(MECHANISMS, float(row.get(_ELSE, 0.0)))
    exact: dict[Mechanism, float] = {}
    for name, value in row.items():
        if name == _ELSE:
            continue
        found = mechanisms_of(name)
        target = exact if len(found) == 1 and found[0].value == name else values
        for mechanism in found:
            target[mechanism] = float(value)
    values |= exact
    return np.array([values[mechanism] for mechanism in MECHANISMS])


@functools.cache
def likelihood(table: str, name: str, word: str) -> FloatArray | None:
    """Return how probable a word is under each mechanism, shape (n,); None where the table does not know it.

    Args:
        table: `sign`, `answer` or `finding`.
    """
    row = load("priors").get(table, {}).get(name, {}).get(word)
    return None if row is None else column(row)


def words_of(table: str, name: str) -> tuple[str, ...]:
    """Return the words that a table knows for a name."""
    return tuple(load("priors").get(table, {}).get(name, {}))
