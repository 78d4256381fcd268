"""Who this computer knows: its certificate, and the keys that were kept after pairing.

They lie beside the signing key, outside every bench folder (which travels, and may be shared by two computers), in
files that only their owner may read (on a bench stick on its data partition, which every PC reads):

    link/certificate.pem, link/key.pem    this bench computer as others know it (TLS); made at the first start
    link/known.json                       {"schema": 1, "bench_computers": [...], "machines": [...]}

Of each pair both sides keep one secret of 32 bytes; a bench computer is known by the SHA-256 of its certificate too.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from verifyrig.core.errors import BenchError, UsageError
from verifyrig.core.plain_text import plain_line
from verifyrig.files.atomic_write import replacing
from verifyrig.files.foreign_file import FileKind, read_bytes
from verifyrig.record.signature import key_path
from verifyrig.system.stick import this_stick

DEFAULT_PORT = 8519
OWN = "own"  # the machine's id of runs on the bench computer itself
_LONGEST_NAME = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchComputer:
    """A bench computer as the machine that was paired with it knows it.

    Attributes:
        machine: Under which id it knows this machine.
        fingerprint: SHA-256 of its certificate, hexadecimal.
        secret: Shared with it alone, hexadecimal.
        host, port: Where it was last.
    """

    machine: str
    name: str
    fingerprint: str
    secret: str
    host: str
    port: int = DEFAULT_PORT


@dataclass(frozen=True, slots=True, kw_only=True)
class PairedMachine:
    """A machine as the bench computer knows it; `paired` is ISO 8601 in UTC."""

    machine: str
    name: str
    secret: str
    paired: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """All that this computer was paired with."""

    bench_computers: tuple[BenchComputer, ...] = ()
    machines: tuple[PairedMachine, ...] = ()

    def with_bench_computer(self, one: BenchComputer) -> Known:
        """Return it with a bench computer more; one of the same certificate is replaced."""
        others = (other for other in self.bench_computers if other.fingerprint != one.fingerprint)
        return replace(self, bench_computers=(*others, one))

    def with_machine(self, one: PairedMachine) -> Known:
        """Return it with a machine more; one of the same id is replaced."""
        return replace(self, machines=(*(m for m in self.machines if m.machine != one.machine), one))

    def without(self, name: str) -> Known:
        """Return it without all that bear this name or id."""
        return Known(
            bench_computers=tuple(b for b in self.bench_computers if name not in (b.name, b.machine)),
            machines=tuple(m for m in self.machines if name not in (m.name, m.machine)),
        )

    def machine(self, machine: str) -> PairedMachine | None:
        """Return the machine of an id, None where none was paired."""
        return next((one for one in self.machines if one.machine == machine), None)


def link_folder() -> Path:
    """Return where this computer keeps what it knows of others: a bench stick on its data partition, for good."""
    stick = this_stick()
    return key_path().parent / "link" if stick is None else stick.bench / "link"


def new_id() -> str:
    """Return a new id of a machine."""
    return secrets.token_hex(8)


def new_secret() -> str:
    """Return 32 random bytes, hexadecimal."""
    return secrets.token_hex(32)


def plain_name(text: str) -> str:
    """Return a name of a computer as it may be kept and shown: one plain line, never empty."""
    return plain_line(text, _LONGEST_NAME).strip() or "unnamed"


def read_known() -> Known:
    """Return what this computer was paired with; nothing where it never was.

    Raises:
        BenchError: The file cannot be read as one of ours.
    """
    path = link_folder() / "known.json"
    try:
        data = json.loads(read_bytes(path, FileKind.NOTE))
        return Known(
            bench_computers=tuple(BenchComputer(**one) for one in data["bench_computers"]),
            machines=tuple(PairedMachine(**one) for one in data["machines"]),
        )
    except FileNotFoundError:
        return Known()
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise BenchError(
            f"what this computer was paired with cannot be read ({type(error).__name__})",
            where=str(path),
            mend="Move the file away and pair again.",
        ) from error


def known_stamp() -> tuple[int, int]:
    """Return what changes with every change of what this computer was paired with."""
    try:
        found = (link_folder() / "known.json").stat()
    except OSError:
        return (0, 0)
    return (found.st_mtime_ns, found.st_ino)


def write_known(known: Known) -> None:
    """Keep what this computer was paired with; raise `BenchError` where that cannot be written."""
    data = {
        "schema": 1,
        "bench_computers": [asdict(one) for one in known.bench_computers],
        "machines": [asdict(one) for one in known.machines],
    }
    _write_private(link_folder() / "known.json", json.dumps(data, indent=1).encode())


def _write_private(path: Path, content: bytes) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with replacing(path) as file:
            if os.name != "nt":
                os.fchmod(file.fileno(), 0o600)
            file.write(content)
    except OSError as error:
        raise BenchError(
            f"cannot be written ({error.strerror or error})", where=str(path), mend="Check the folder's rights."
        ) from error


# ---- the certificate of a bench computer -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """A self-made certificate and its key as files, and the SHA-256 by which others know it."""

    certificate: Path
    key: Path
    fingerprint: str


def own_certificate() -> Certificate:
    """Return this computer's certificate; it is made where there is none.

    Raises:
        BenchError: It cannot be read or written.
    """
    folder = link_folder()
    certificate, key = folder / "certificate.pem", folder / "key.pem"
    if not certificate.exists() or not key.exists():
        pem, private = _new_certificate()
        _write_private(key, private)
        _write_private(certificate, pem)
    return Certificate(certificate=certificate, key=key, fingerprint=_fingerprint_of_file(certificate))


def fingerprint_of(der: bytes) -> str:
    """Return the SHA-256 of a certificate in DER, hexadecimal."""
    return hashlib.sha256(der).hexdigest()


def grouped(fingerprint: str) -> str:
    """Return a fingerprint's first 32 digits in groups of four, to be compared by eye."""
    return " ".join(fingerprint[at : at + 4] for at in range(0, 32, 4))


def _fingerprint_of_file(path: Path) -> str:
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import Encoding

    try:
        return fingerprint_of(x509.load_pem_x509_certificate(path.read_bytes()).public_bytes(Encoding.DER))
    except (OSError, ValueError) as error:
        raise BenchError(
            f"this computer's certificate cannot be read ({error})",
            where=str(path),
            mend="Move it and key.pem away; a new one is made, and all machines are paired again.",
        ) from error


def _new_certificate() -> tuple[bytes, bytes]:
    """Return certificate and key in PEM. It is valid at any time: a machine whose battery is flat lives in the past."""
    import datetime

    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import NameOID

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "verifyrig bench computer")])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(datetime.datetime(1990, 1, 1, tzinfo=datetime.UTC))
        .not_valid_after(datetime.datetime(2090, 1, 1, tzinfo=datetime.UTC))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    return certificate.public_bytes(serialization.Encoding.PEM), private


def chosen(known: Iterable[BenchComputer], named: str) -> BenchComputer | None:
    """Return the bench computer of a name, host or `HOST:PORT`; None where none of them is meant."""
    return next((one for one in known if named in (one.name, one.host, f"{one.host}:{one.port}")), None)


def address_of(text: str) -> tuple[str, int]:
    """Return host and port of `HOST`, `HOST:PORT` or `[IPv6]:PORT`; raise `UsageError` for anything else."""
    host, port = text, DEFAULT_PORT
    if text.startswith("["):
        host, _, behind = text[1:].partition("]")
        digits = behind.removeprefix(":")
    else:
        digits = ""
        if text.count(":") == 1:
            host, _, digits = text.partition(":")
    if digits:
        port = int(digits) if digits.isascii() and digits.isdigit() else 0
    if not host or not 0 < port < 65536 or any(c.isspace() or c in "/?#@" for c in host):
        raise UsageError(f"{text!r} is no address", where="bench computer", mend="Write HOST or HOST:PORT.")
    return host, port


def proof(secret: str, role: str, nonce: str, fingerprint: str) -> str:
    """Return what shows that a side knows the secret, for this one connection: HMAC-SHA-256 (RFC 2104), hexadecimal."""
    import hmac

    lines = f"verifyrig link 1\n{role}\n{nonce}\n{fingerprint}\n".encode()
    return hmac.new(bytes.fromhex(secret), lines, hashlib.sha256).hexdigest()


def same(one: Any, other: str) -> bool:
    """Compare without telling by the time where they differ."""
    import hmac

    return isinstance(one, str) and one.isascii() and hmac.compare_digest(one, other)
