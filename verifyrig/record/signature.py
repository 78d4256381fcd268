"""Signatures beside a record: who vouches for its digest, with a key that others do not have.

A sealed record is never written again, so its signatures lie beside it as `<run>.signatures.json`:

    {"schema": 1, "signatures": [{"role", "public_key", "signed", "signature"}, ...]}

`role` is `bench` for the computer that kept the record. The place for a counter-signature by a second computer is a
further entry of the list, with the role `counter`: it signs the same lines with its own role, and is checked likewise.
Keys and signatures are Ed25519 (RFC 8032), in base64. What is signed are these lines, each ended by a line feed:

    verifyrig signature 1
    role ROLE
    run RUN
    digest DIGEST of the whole record, as `inspect` prints it
    signed TIME, ISO 8601 in UTC, by the signer's clock
"""

from __future__ import annotations

import base64
import binascii
import contextlib
import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verifyrig.core.errors import RecordError
from verifyrig.files.atomic_write import write_whole
from verifyrig.files.foreign_file import FileKind, read_bytes

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

BENCH, COUNTER = "bench", "counter"
KEY_NAME = "signing-key.pem"
_MOST_SIGNATURES = 16


class SignatureState(StrEnum):
    """What a check of a signature says."""

    FITS = "fits"
    BROKEN = "broken"
    NOT_CHECKED = "not-checked"  # the library for it is not installed


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """One signature as it stands in the file.

    Attributes:
        public_key: 32 bytes, RFC 8032.
        signed: When, ISO 8601 in UTC.
    """

    role: str
    public_key: bytes
    signed: str
    signature: bytes

    @property
    def fingerprint(self) -> str:
        """Short name of the key: the first 32 hexadecimal digits of its SHA-256, in groups of four."""
        return fingerprint_of(self.public_key)

    @property
    def key_text(self) -> str:
        """The public key in base64."""
        return base64.b64encode(self.public_key).decode("ascii")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedSignature:
    """A signature and what holding it against the record's content says."""

    signature: Signature
    state: SignatureState


def signatures_path(record: Path) -> Path:
    """Return where the signatures of a record lie."""
    return record.with_name(f"{record.stem}.signatures.json")


def fingerprint_of(public_key: bytes) -> str:
    """Return the short name of a key, as `Signature.fingerprint`."""
    digits = hashlib.sha256(public_key).hexdigest()[:32]
    return " ".join(digits[at : at + 4] for at in range(0, 32, 4))


def signed_lines(*, role: str, run: str, digest: str, signed: str) -> bytes:
    """Return what is signed."""
    return f"verifyrig signature 1\nrole {role}\nrun {run}\ndigest {digest}\nsigned {signed}\n".encode()


# ---- the key of this computer ----------------------------------------------------------------------------------------


def key_path() -> Path:
    """Return where this computer keeps its key: outside every bench folder, which travels and is copied."""
    base = os.environ.get("XDG_CONFIG_HOME") or os.environ.get("APPDATA") or str(Path.home() / ".config")
    return Path(base) / "verifyrig" / KEY_NAME


def make_key(path: Path) -> bytes:
    """Make a key that only this user can read; return its public half. A key that is there is kept.

    Raises:
        RecordError: It cannot be written, or the library for it is not installed.
    """
    ed25519, serialization = _library()
    if path.exists():
        return public_half(load_key(path))
    key = ed25519.Ed25519PrivateKey.generate()
    pem = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(pem)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise _key_fault(
            f"it cannot be written ({error.strerror or error})", path, "Check the folder's rights."
        ) from error
    return public_half(key)


def load_key(path: Path) -> Ed25519PrivateKey:
    """Return the key; raise `RecordError` where it cannot be used, or where others than its owner may read it."""
    ed25519, serialization = _library()
    try:
        if os.name != "nt" and path.stat().st_mode & 0o077:
            raise _key_fault("others than its owner may read it", path, "`chmod 600` it, or make a new one.")
        key = serialization.load_pem_private_key(path.read_bytes(), password=None)
    except OSError as error:
        raise _key_fault(f"it cannot be read ({error.strerror or error})", path, "Check its rights.") from error
    except ValueError as error:
        raise _key_fault("it is no key", path, "Move it away, and make one: verifyrig setup --signing-key.") from error
    if not isinstance(key, ed25519.Ed25519PrivateKey):
        raise _key_fault("it is no Ed25519 key", path, "Move it away, and make one: verifyrig setup --signing-key.")
    own: Ed25519PrivateKey = key
    return own


def public_half(key: Ed25519PrivateKey) -> bytes:
    """Return the public half of a key, 32 bytes."""
    return key.public_key().public_bytes_raw()


def _library() -> Any:
    try:
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError as error:
        raise RecordError(
            "signing needs a library that is not installed", where="cryptography", mend="Install verifyrig[sign]."
        ) from error
    return ed25519, serialization


def _key_fault(what: str, path: Path, mend: str) -> RecordError:
    return RecordError(what, where=f"signing key {path}", mend=mend)


# ---- signing and checking --------------------------------------------------------------------------------------------


def sign_record(
    record: Path, key: Ed25519PrivateKey, *, run: str, digest: str, now: datetime, role: str = BENCH
) -> None:
    """Add a signature to a record; those that are there stay.

    Raises:
        RecordError: The file beside the record cannot be read or written.
    """
    signed = now.isoformat(timespec="seconds")
    bytes_signed = key.sign(signed_lines(role=role, run=run, digest=digest, signed=signed))
    own = Signature(role=role, public_key=public_half(key), signed=signed, signature=bytes_signed)
    add_signatures(record, [own])


def add_signatures(record: Path, more: Sequence[Signature]) -> None:
    """Add signatures to a record; those that are there stay, and none is there twice. Errors as `sign_record`."""
    entries = [_entry(one) for one in dict.fromkeys((*read_signatures(record), *more))]
    try:
        write_whole(signatures_path(record), json.dumps({"schema": 1, "signatures": entries}, indent=1) + "\n")
    except OSError as error:
        raise RecordError(
            f"its signature cannot be written ({error.strerror or error})", where=str(record), mend="Check the folder."
        ) from error


def read_signatures(record: Path) -> tuple[Signature, ...]:
    """Return the signatures beside a record; none where there is no such file.

    Raises:
        RecordError: There is one that cannot be read as signatures.
    """
    path = signatures_path(record)
    if not os.path.lexists(path):
        return ()
    try:
        return signatures_of(read_bytes(path, FileKind.NOTE, inside=path.parent))
    except (OSError, ValueError) as error:
        raise RecordError("its signatures cannot be read", where=str(path), mend="Take another copy of it.") from error


def signatures_of(text: str | bytes) -> tuple[Signature, ...]:
    """Return the signatures that the text of such a file holds; raise `ValueError` where it is none."""
    try:
        entries = json.loads(text)["signatures"]
        if not isinstance(entries, list) or len(entries) > _MOST_SIGNATURES:
            raise ValueError("no list of signatures")
        return tuple(_signature(one) for one in entries)
    except (KeyError, TypeError, RecursionError) as error:
        raise ValueError("no signatures") from error


def check_signatures(record: Path, *, run: str, digest: str) -> tuple[CheckedSignature, ...]:
    """Return the signatures, each checked against what the record holds now; errors as `read_signatures`."""
    return checked(read_signatures(record), run=run, digest=digest)


def checked(signatures: Sequence[Signature], *, run: str, digest: str) -> tuple[CheckedSignature, ...]:
    """Return signatures, each checked against a run and the digest of its record."""
    return tuple(CheckedSignature(signature=one, state=_state(one, run=run, digest=digest)) for one in signatures)


def _state(one: Signature, *, run: str, digest: str) -> SignatureState:
    try:
        ed25519, _ = _library()
    except RecordError:
        return SignatureState.NOT_CHECKED
    from cryptography.exceptions import InvalidSignature

    lines = signed_lines(role=one.role, run=run, digest=digest, signed=one.signed)
    with contextlib.suppress(InvalidSignature, ValueError):
        ed25519.Ed25519PublicKey.from_public_bytes(one.public_key).verify(one.signature, lines)
        return SignatureState.FITS
    return SignatureState.BROKEN


def _signature(data: Any) -> Signature:
    texts = [data[name] for name in ("role", "public_key", "signed", "signature")]
    if not all(isinstance(text, str) and text.isprintable() and len(text) <= 200 for text in texts):
        raise ValueError("no signature")
    try:
        public_key, signature = (base64.b64decode(texts[at], validate=True) for at in (1, 3))
    except binascii.Error as error:
        raise ValueError("no base64") from error
    return Signature(role=texts[0], public_key=public_key, signed=texts[2], signature=signature)


def _entry(one: Signature) -> dict[str, str]:
    signature = base64.b64encode(one.signature).decode("ascii")
    return {"role": one.role, "public_key": one.key_text, "signed": one.signed, "signature": signature}
