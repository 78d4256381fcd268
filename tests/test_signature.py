"""What a seal without a key can claim, and what printed digest, QR code and signature add."""

from __future__ import annotations

import json
import re
import stat
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests import report_inputs as ri
from tests.small_records import write_record
from verifyrig.bench.folder import find_bench
from verifyrig.commands import cli
from verifyrig.core.errors import RecordError
from verifyrig.core.integrity import Integrity
from verifyrig.jobs.take_over import collect
from verifyrig.record import signature
from verifyrig.record.check import check_record, integrity_of
from verifyrig.record.signature import SignatureState, fingerprint_of, key_path, load_key, make_key, signatures_path
from verifyrig.report.proof import proof_text, qr_matrix, qr_svg
from verifyrig.report.render import EDITIONS, render

# RFC 8032, 7.1, TEST 2: secret key, public key, message and signature of Ed25519.
RFC_SECRET = "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"
RFC_PUBLIC = "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
RFC_MESSAGE = "72"
RFC_SIGNATURE = (
    "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
    "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
)


@pytest.fixture(autouse=True)
def own_config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """No test may meet, or make, a key of whoever runs it."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path / "config"


@pytest.fixture
def record(tmp_path: Path) -> Path:
    return write_record(tmp_path / "bench" / "runs", 0)


def ask(bench: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    code = cli.run([*words, "--json", "--bench", str(bench)])
    return code, json.loads(capsys.readouterr().out)


def sign(record: Path, role: str = signature.BENCH, key: Path | None = None) -> None:
    place = key or key_path()
    make_key(place)
    check = check_record(record)
    assert check.digest is not None
    signature.sign_record(
        record, load_key(place), run=check.run, digest=check.digest, now=datetime(2026, 2, 2, tzinfo=UTC), role=role
    )


def forged(record: Path) -> Path:
    """The same run with a colder die, written anew by our own code: all its digests fit."""
    beside = write_record(record.parent.parent / "forged", 0, k_per_w=0.30)
    beside.replace(record)
    return record


# ---- what is claimed


def test_a_seal_claims_that_it_fits_its_digests_and_asks_for_the_printed_one(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = tmp_path / "bench"
    assert cli.run(["inspect", "first", "--bench", str(bench)]) == 0
    said = capsys.readouterr().out
    assert "fits its digests" in said and "printed" in said and "unaltered" not in said
    digest = check_record(record).digest
    assert digest is not None
    assert ask(bench, capsys, "inspect", "first", "--printed", f"{digest[:8]} {digest[8:16]}")[0] == 0
    assert ask(bench, capsys, "inspect", "first", "--printed", digest.upper())[1]["printed"] is True
    forged(record)
    # Without the page nothing shows: that is why the words claim no more.
    assert integrity_of(record) == (Integrity.SEALED, "")
    code, answer = ask(bench, capsys, "inspect", "first", "--printed", digest)
    assert code == 1 and answer["printed"] is False


@pytest.mark.parametrize("words", ["abc", "x" * 64, "0" * 65, ""])
def test_what_is_no_digest_is_refused(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], words: str
) -> None:
    assert ask(tmp_path / "bench", capsys, "inspect", "first", "--printed", words)[0] == 2


# ---- the page


@pytest.mark.parametrize("edition", EDITIONS)
def test_the_signed_page_bears_the_digests_in_words_and_as_a_code(edition: Any) -> None:
    report = ri.fixed_report()
    page = render(report, edition, now_utc=ri.DAY_UTC)
    first = page.partition('class="behind"')[0]
    text = re.sub(r"<wbr>", "", first)
    for run in report.runs:
        assert run.digest in text and run.digest in proof_text(report)
    assert '<svg class="code"' in first


def test_an_independent_reader_reads_the_code_back() -> None:
    zxingcpp = pytest.importorskip("zxingcpp", reason="the reader of codes is not installed")
    text = proof_text(ri.fixed_report())
    modules = np.array(qr_matrix(text))
    picture = np.where(np.kron(modules, np.ones((4, 4), dtype=bool)), 0, 255).astype(np.uint8)
    (found,) = zxingcpp.read_barcodes(picture)
    assert found.text == text


def test_the_drawn_path_covers_the_dark_modules_and_no_others() -> None:
    drawn = np.zeros((len(qr_matrix("abc")),) * 2, dtype=bool)
    for x, y, length in re.findall(r"M(\d+) (\d+)h(\d+)v1h-\d+z", str(qr_svg("abc"))):
        drawn[int(y), int(x) : int(x) + int(length)] = True
    assert np.array_equal(drawn, np.array(qr_matrix("abc")))


def test_the_code_of_a_german_page_holds_the_same_lines() -> None:
    assert proof_text(ri.fixed_report(language="de")) == proof_text(ri.fixed_report())


# ---- the key


def test_the_key_is_ed25519_as_the_standard_has_it() -> None:
    from cryptography.hazmat.primitives.asymmetric import ed25519

    key = ed25519.Ed25519PrivateKey.from_private_bytes(bytes.fromhex(RFC_SECRET))
    assert signature.public_half(key).hex() == RFC_PUBLIC
    assert key.sign(bytes.fromhex(RFC_MESSAGE)).hex() == RFC_SIGNATURE


def test_a_key_is_made_once_for_its_owner_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, first = ask(tmp_path, capsys, "setup", "--signing-key")
    assert code == 0 and first["signing_key"]["file"] == str(key_path())
    assert stat.S_IMODE(key_path().stat().st_mode) == 0o600
    assert not (tmp_path / "bench.toml").exists()
    assert ask(tmp_path, capsys, "setup", "--signing-key")[1] == first
    assert "PRIVATE" not in json.dumps(first)
    key_path().chmod(0o644)
    with pytest.raises(RecordError, match="others than its owner"):
        load_key(key_path())


def test_a_run_is_signed_where_this_computer_has_a_key(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = tmp_path / "shop"
    csv = tmp_path / "log.csv"
    csv.write_text("t,die\n" + "".join(f"{t},{40 + t / 10}\n" for t in range(120)), encoding="utf-8")
    words = ["import", str(csv), "--time", "t", "--channel", "die_temp_c=die", "--stage", "idle=0:119"]
    _, unsigned = ask(bench, capsys, *words)
    assert check_record(Path(unsigned["record"])).signatures == ()
    key = make_key(key_path())
    _, signed = ask(bench, capsys, *words)
    (found,) = check_record(Path(signed["record"])).signatures
    assert (found.state, found.signature.public_key, found.signature.role) == (SignatureState.FITS, key, "bench")
    _, answer = ask(bench, capsys, "inspect", signed["record"])
    assert answer["signatures"][0]["fingerprint"] == fingerprint_of(key)


# ---- what a signature shows


def test_who_recomputes_the_digests_has_no_key(record: Path) -> None:
    sign(record)
    assert integrity_of(record)[0] is Integrity.SEALED
    forged(record)
    integrity, fault = integrity_of(record)
    assert integrity is Integrity.ALTERED and "signature" in fault


def test_a_signature_is_of_its_run_its_role_and_its_time(record: Path) -> None:
    sign(record)
    place = signatures_path(record)
    whole = json.loads(place.read_text(encoding="utf-8"))
    for name, other in (("role", "counter"), ("signed", "2027-01-01T00:00:00+00:00")):
        changed = {**whole, "signatures": [{**whole["signatures"][0], name: other}]}
        place.write_text(json.dumps(changed), encoding="utf-8")
        assert integrity_of(record)[0] is Integrity.ALTERED
    elsewhere = write_record(record.parent, 1)
    place.replace(signatures_path(elsewhere))
    assert integrity_of(elsewhere)[0] is Integrity.ALTERED and integrity_of(record)[0] is Integrity.SEALED


@pytest.mark.parametrize("content", ["{", "[]", '{"signatures": 1}', '{"signatures": [{}]}', "[" * 100_000, "\x00"])
def test_signatures_that_cannot_be_read_are_no_signatures(record: Path, content: str) -> None:
    signatures_path(record).write_text(content, encoding="utf-8")
    integrity, fault = integrity_of(record)
    assert integrity is Integrity.ALTERED and "cannot be read" in fault


def test_a_counter_signature_stands_beside_the_first(record: Path, tmp_path: Path) -> None:
    sign(record)
    sign(record, signature.COUNTER, tmp_path / "second" / "key.pem")
    found = check_record(record).signatures
    assert [one.signature.role for one in found] == ["bench", "counter"]
    assert {one.state for one in found} == {SignatureState.FITS}
    assert found[0].signature.public_key != found[1].signature.public_key


def test_signatures_travel_with_their_record(record: Path, tmp_path: Path) -> None:
    sign(record)
    here = find_bench(str(tmp_path / "here"))
    collect(here, tmp_path / "bench")
    (taken,) = here.records()
    assert check_record(taken).signatures[0].state is SignatureState.FITS


def test_without_the_library_a_signature_is_told_and_not_checked(
    record: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    sign(record)
    monkeypatch.setitem(sys.modules, "cryptography.hazmat.primitives.asymmetric", None)
    assert check_record(record).signatures[0].state is SignatureState.NOT_CHECKED
    assert cli.run(["inspect", "first", "--bench", str(tmp_path / "bench")]) == 0
    assert "verifyrig[sign]" in capsys.readouterr().out


def test_the_page_names_the_key(record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sign(record)
    code, report = ask(tmp_path / "bench", capsys, "report", "first")
    assert code == 0
    page = Path(report["files"][0]).read_text(encoding="utf-8")
    (one,) = check_record(record).signatures
    # Records without a job are a draft, which bears no code; the seals of the records name the key all the same.
    assert one.signature.fingerprint in page and one.signature.key_text in page
    signed = replace(ri.healthy_run(), signatures=(("bench", one.signature.fingerprint, one.signature.key_text, True),))
    first = render(ri.report(ri.tripped_run(), signed), "customer", now_utc=ri.DAY_UTC).partition('class="behind"')[0]
    assert one.signature.fingerprint in first
