"""Pairing by a short code: whoever listens, or stands between, learns nothing and gets one guess for each try.

The exchange is SPAKE2 (by the library `spake2`, older than RFC 9382 and not of its encoding), run inside TLS. Both
sides then show that they reached the same key over the same certificate: one that stands between shows another
certificate to the machine, and the proofs do not fit. The kept secret is drawn from that key (HKDF, RFC 5869).
"""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass

# Why the bench computer refuses a pairing.
NO_CODE, WRONG_CODE = "no-code", "wrong-code"
MACHINE, BENCH = b"verifyrig machine", b"verifyrig bench computer"


class WrongCode(Exception):
    """The other side did not know the code, or somebody stands between."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreed:
    """What both sides have after the exchange: proofs to be shown to each other, and the secret to be kept."""

    own_proof: str
    other_proof: str
    secret: str

    def check(self, shown: object) -> None:
        """Raise `WrongCode` unless the other side showed its proof."""
        if not isinstance(shown, str) or not shown.isascii() or not hmac.compare_digest(shown, self.other_proof):
            raise WrongCode


class PairingSide:
    """One side of a pairing.

    Args:
        code: The short code, digits.
        fingerprint: SHA-256 of the bench computer's certificate, hexadecimal: its own, or as the machine sees it.
        bench: Whether this is the bench computer's side.
    """

    def __init__(self, code: str, fingerprint: str, *, bench: bool) -> None:
        from spake2 import SPAKE2_A, SPAKE2_B

        kind = SPAKE2_B if bench else SPAKE2_A
        self._exchange = kind(code.encode(), idA=MACHINE, idB=BENCH)
        self._fingerprint = fingerprint
        self._bench = bench
        self.message: str = self._exchange.start().hex()

    def agree(self, message: object) -> Agreed:
        """Take the other side's message; raise `WrongCode` where it is none."""
        from spake2 import SPAKEError

        try:
            if not isinstance(message, str) or len(message) > 200:
                raise ValueError("no message")
            key = self._exchange.finish(bytes.fromhex(message))
        except (ValueError, SPAKEError, AssertionError) as error:
            raise WrongCode from error
        proofs = [_mac(key, role, self._fingerprint) for role in (MACHINE, BENCH)]
        own, other = proofs[::-1] if self._bench else proofs
        return Agreed(own_proof=own, other_proof=other, secret=_kept_secret(key))


def _mac(key: bytes, role: bytes, fingerprint: str) -> str:
    return hmac.new(key, b"\n".join((b"pairing", role, fingerprint.encode())), hashlib.sha256).hexdigest()


def _kept_secret(key: bytes) -> str:
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.kdf.hkdf import HKDF

    return HKDF(hashes.SHA256(), 32, salt=None, info=b"verifyrig kept secret").derive(key).hex()


def plain_code(text: str) -> str:
    """Return the digits of a code as typed, without the spaces or dashes between them."""
    return "".join(c for c in text if c.isascii() and c.isdigit())
