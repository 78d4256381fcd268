"""What a record is good for, judged by its seals alone. Pure; every command, page and rule asks here.

A seal without a key shows that a record fits its own digests. It cannot show that nobody wrote record and digests
anew: that takes the digest on a page that was printed and signed, or a signature with a key that others do not have.
"""

from __future__ import annotations

from enum import StrEnum


class Integrity(StrEnum):
    """State of a record."""

    SEALED = "sealed"  # closed in order, and all of it fits its digests
    RECORDING = "recording"  # still being written; it fits so far
    UNSEALED = "unsealed"  # never closed, as by the death of its machine; what was committed fits
    ALTERED = "altered"  # readable, and not what its digests say
    DAMAGED = "damaged"  # not readable as what it was, or bytes of it were lost

    @property
    def is_broken(self) -> bool:
        """Whether nothing in it may be taken for measured: no pass, no fitness, no handover rests on it."""
        return self in (Integrity.ALTERED, Integrity.DAMAGED)

    @property
    def proves(self) -> bool:
        """Whether fitness for use may rest on it.

        A record left unsealed by the death of its machine shows the fault as it came in, and serves the diagnosis;
        that a machine is sound is shown by a record that was closed.
        """
        return self is Integrity.SEALED
