"""Message digests and cyclic redundancy checks with known answers: integer arithmetic, every bit of it visible.

Sources: SHA-256 of one million "a": example values to FIPS 180-4; CRC-32 (IEEE 802.3) of "123456789": 0xCBF43926.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterator
from itertools import count

import numpy as np

from verifyrig.loads.works import BlockResult, Meddle, Work, untouched

MESSAGE_BYTES = 2**20
PIECE_BYTES = 2**17
MILLION_A_SHA256 = "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"
CHECK_CRC32 = 0xCBF43926
PUBLISHED_EVERY = 64


class Digest(Work):
    """Pieces of a random message, hashed over and over; now and then the published answers."""

    def __init__(
        self,
        *,
        message_bytes: int = MESSAGE_BYTES,
        piece_bytes: int = PIECE_BYTES,
        seed: int = 0,
        meddle: Meddle = untouched,
    ) -> None:
        self._message_bytes = message_bytes
        self._piece_bytes = piece_bytes
        self._seed = seed
        self._meddle = meddle
        self._message = self._made()
        self._pieces = self._message.reshape(-1, self._piece_bytes)
        self._known = [(hashlib.sha256(piece.data).digest(), zlib.crc32(piece.data)) for piece in self._pieces]
        self._million_a = np.full(1_000_000, ord("a"), dtype=np.uint8)
        self._blocks = count()
        self.block_s = 0.001

    def block(self, budget_s: float) -> BlockResult:
        """Hash one piece, or check the published answers."""
        number = next(self._blocks)
        if number % PUBLISHED_EVERY == 0 and budget_s >= 0.008:
            return BlockResult(1e-9 * self._million_a.size, 2, tuple(self._published()))
        index = number % len(self._pieces)
        return BlockResult(2e-9 * self._piece_bytes, 2, tuple(self._faults(index)))

    def close(self) -> None:
        """Nothing to release."""

    def _made(self) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
        return np.random.default_rng(self._seed).integers(0, 256, self._message_bytes, dtype=np.uint8)

    def _faults(self, index: int) -> Iterator[str]:
        piece = self._pieces[index]
        self._meddle("operand", piece)
        sha = np.frombuffer(hashlib.sha256(piece.data).digest(), dtype=np.uint8).copy()
        crc = np.array([zlib.crc32(piece.data)], dtype=np.uint32)
        self._meddle("result", sha)
        self._meddle("result", crc)
        known_sha, known_crc = self._known[index]
        wrong = [
            name
            for name, right in (("SHA-256", sha.tobytes() == known_sha), ("CRC-32", int(crc[0]) == known_crc))
            if not right
        ]
        if wrong:
            right_piece = self._made().reshape(-1, self._piece_bytes)[index]
            places = np.flatnonzero(right_piece != piece)
            piece[...] = right_piece
            why = f"message changed in memory at byte {int(places[0])}" if places.size else "message intact"
            yield f"{' and '.join(wrong)} of piece {index} wrong, {why}"

    def _published(self) -> Iterator[str]:
        if hashlib.sha256(self._million_a.data).hexdigest() != MILLION_A_SHA256:
            yield "SHA-256 of one million letters differs from the published value"
        if zlib.crc32(b"123456789") != CHECK_CRC32:
            yield "CRC-32 of the check string differs from the published value"
