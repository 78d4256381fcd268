"""Whether a guest that was waited for in vain had its share of the host: where it had none, nothing is proven."""

# Far more than any start has needed, s of processor time.
_ENOUGH_S = 250.0


def is_starved(ran_s: float, waited_s: float, passed_s: float) -> bool:
    """Return whether a guest wanted the host's processors for at least half of the time, and was not given them.

    A guest that hangs without working wants none: it is not starved, it has a fault.

    Args:
        ran_s: Processor time of all its threads, s.
        waited_s: What the thread waited that waited longest, s.
        passed_s: Time since its start, s.
    """
    return ran_s < _ENOUGH_S and waited_s > 0.5 * passed_s
