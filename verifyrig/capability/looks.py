"""Looks at a batch that grows: at fixed numbers of units, each with its part of one chance of a false alarm.

Whoever tests a growing series at every unit for 5 % each is sure to be alarmed in the end. Here the chance is spent
beforehand over the looks (alpha spending: Lan and DeMets 1983). That of any false alarm is at most the sum of the
parts, however the looks depend on one another (Boole's inequality). A look lies at the same units whenever it is
taken, so that neither a late start nor many records at once change what is found.
"""

from __future__ import annotations

__all__ = ["LOOKS", "alpha_of_a_look", "looks_due"]

# Half as many units again from look to look: what changes over a batch is seen when a third of it is new.
LOOKS = (8, 12, 18, 27, 40, 60, 90, 135, 200, 300, 450, 675)


def alpha_of_a_look(alpha: float) -> float:
    """Return the part of a chance of a false alarm that each look may spend."""
    return alpha / len(LOOKS)


def looks_due(done: int, units: int) -> tuple[int, ...]:
    """Return the numbers of units at which to look now, `done` looks having been taken."""
    return tuple(look for look in LOOKS[done:] if look <= units)
