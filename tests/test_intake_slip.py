"""The intake slip on one page, its signature, and the labels: what stands on them, and how large."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.pictures import png
from verifyrig.bench.folder import Bench
from verifyrig.commands.cli import run
from verifyrig.files.png_mark import PNG_MARK, marked_png
from verifyrig.jobs.model import EntryKind
from verifyrig.jobs.signing import is_signed_as_it_stands, signed_digest
from verifyrig.jobs.store import read_job
from verifyrig.report.pdf import find_chromium
from verifyrig.report.tape_labels import TAPES, masked_name

JOB = "j-104"
needs_browser = pytest.mark.skipif(find_chromium() is None, reason="no Chromium is installed")
LONG = "It switches itself off after about twenty minutes of playing, and once in the middle of writing a letter. " * 6


def verifyrig(bench: Path, *words: str) -> int:
    return run([*words, "--bench", str(bench)])


def lay(bench: Path, language: str = "en", paper: str = "A4", complaint: str = LONG) -> Path:
    (bench / "bench.toml").write_text(
        '[shop]\nname = "Demo Bench (invented)"\noperator = "N. Bench"\naddress = "1 Example Lane"\n'
        f'[report]\nlanguage = "{language}"\npaper = "{paper}"\nterms = "Invented terms, {"two lines of them, " * 6}"\n'
        "[privacy]\nkeep_days = 730\n",
        encoding="utf-8",
    )
    photos = []
    for n in range(5):
        photo = bench / f"photo{n}.png"
        photo.write_bytes(png(400, 300))
        photos += ["--photo", str(photo)]
    answers = (
        "what=switches-off, hot", "when=under-load", "doing=games-or-3d", "how-often=2 h", "time-from-start=20 min",
        "restart=after-minutes", "noises=gurgle", "place=cabinet", "room=24", "recent-changes=moved house in spring",
    )  # fmt: skip
    words = ["--id", JOB, "--complaint", complaint, "--customer", "Q. Uestion", "--contact", "call 000-111"]
    words += ["--ticket", "T-104", "--kind", "desktop-liquid", "--maker", "Example Works", "--model", "Model Two"]
    words += ["--serial", "DEMO-0000-1234", "--price-ceiling", "120", "--accessories", "mains lead, one game"]
    words += ["--condition", "scratch on the left, one foot missing", *photos]
    words += [word for answer in answers for word in ("--answer", answer)]
    words += ["--consent", "heavy-load=yes", "--consent", "data=no"]
    assert verifyrig(bench, "job", "open", *words) == 0
    return bench


def text_of(page: Path) -> str:
    without = re.sub(r"<(style|svg).*?</\1>", " ", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", without).split())


def pdf_info(path: Path) -> dict[str, str]:
    if shutil.which("pdfinfo") is None:
        pytest.skip("pdfinfo (poppler-utils) is not installed")
    said = subprocess.run(["pdfinfo", str(path)], capture_output=True, text=True, check=True).stdout
    return {key: value.strip() for key, _, value in (line.partition(":") for line in said.splitlines())}


# ---- the slip


def test_everything_that_is_agreed_stands_on_the_slip(tmp_path: Path) -> None:
    bench = lay(tmp_path, complaint="It goes off & on")
    assert verifyrig(bench, "job", "slip") == 0
    said = text_of(bench / "reports" / f"{JOB}.intake.html")
    for word in (
        "Q. Uestion", "call 000-111", "T-104", "DEMO-0000-1234", "mains lead, one game", "one foot missing",
        "“It goes off &amp; on”", "may fail for good under it", "the shop makes no backup", "Up to 120 without asking",
        "kept for 730 days", "Read and agreed", "Taken in by: N. Bench", "switches off, hot", "games or 3d",
    ):  # fmt: skip
        assert word in said, word
    page = (bench / "reports" / f"{JOB}.intake.html").read_text(encoding="utf-8")
    assert page.count("data:image/jpeg") == 4 and "j-104" in said  # the fifth is named
    assert page.count("☒") == 2 and page.count("☐") == 10  # two answered, four never asked
    assert "(such as" not in said  # what helps to fill in a form is no running text
    assert "default-src 'none'" in page and "http://" not in page.replace("http://www.w3.org", "")


def test_the_german_slip_is_german(tmp_path: Path) -> None:
    bench = lay(tmp_path, language="de", complaint="Geht aus")
    assert verifyrig(bench, "job", "slip") == 0
    said = text_of(bench / "reports" / f"{JOB}.intake.html")
    for word in ("Annahme eines Geräts", "„Geht aus“", "Preisrahmen", "schaltet sich aus, heiß", "Spiele oder 3D"):
        assert word in said
    for word in ("agreed", "Price", "Backup", "switches", "games", "Photos"):
        assert word not in said


@needs_browser
@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize(("paper", "size"), [("A4", (595.0, 842.0)), ("Letter", (612.0, 792.0))])
def test_a_full_slip_is_one_page(tmp_path: Path, language: str, paper: str, size: tuple[float, float]) -> None:
    bench = lay(tmp_path, language, paper)
    assert verifyrig(bench, "job", "slip", "--pdf") == 0
    info = pdf_info(bench / "reports" / f"{JOB}.intake.pdf")
    width, height = (float(part) for part in re.findall(r"[\d.]+", info["Page size"])[:2])
    assert info["Pages"] == "1" and (width, height) == pytest.approx(size, abs=1.0)


# ---- the signature


def test_a_signature_is_kept_and_a_correction_afterwards_is_marked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = lay(tmp_path, complaint="off")
    assert verifyrig(bench, "job", "sign") == 2
    assert verifyrig(bench, "job", "sign", "--name", "Q. Uestion") == 0
    job = read_job(Bench(root=bench), JOB)
    digest = signed_digest(job)
    assert job.signed[-1].detail == {"name": "Q. Uestion", "digest": digest} and is_signed_as_it_stands(job)
    assert verifyrig(bench, "job", "correct", "price-ceiling=200") == 0
    job = read_job(Bench(root=bench), JOB)
    assert not is_signed_as_it_stands(job) and job.signed[-1].detail["digest"] == digest
    capsys.readouterr()
    assert verifyrig(bench, "job", "show") == 0
    assert "what was signed was put right since" in capsys.readouterr().out
    assert verifyrig(bench, "job", "slip") == 0
    said = text_of(bench / "reports" / f"{JOB}.intake.html")
    assert f"with digest {digest[:16]}; since then something was put right" in said
    assert verifyrig(bench, "job", "delete", JOB, "--reason", "x") == 2


@pytest.mark.parametrize(
    "words",
    [["finding", "radiator=cold"], ["change", "cleaned"], ["place", "none"], ["finding", "consent-heavy-load=no"]],
)
def test_only_what_was_signed_changes_its_digest(tmp_path: Path, words: list[str]) -> None:
    bench = lay(tmp_path, complaint="off")
    before = signed_digest(read_job(Bench(root=bench), JOB))
    assert verifyrig(bench, "job", *words) == 0
    after = signed_digest(read_job(Bench(root=bench), JOB))
    assert (after != before) is ("consent-heavy-load=no" in words)


def test_clearing_takes_slip_labels_and_name_of_who_signed(tmp_path: Path) -> None:
    bench = lay(tmp_path, complaint="off")
    assert verifyrig(bench, "job", "sign", "--name", "Q. Uestion") == 0
    assert verifyrig(bench, "job", "slip") == 0 and verifyrig(bench, "job", "labels") == 0
    assert verifyrig(bench, "job", "cancel", "--reason", "too dear") == 0
    assert verifyrig(bench, "job", "clear", JOB) == 0
    assert [path.name for path in (bench / "reports").glob(f"{JOB}*")] == []
    job = read_job(Bench(root=bench), JOB)
    assert job.of_kind(EntryKind.SIGNATURE)[0].detail["name"] == "(cleared)"
    assert "Uestion" not in (bench / "jobs" / JOB / "job.toml").read_text(encoding="utf-8")


def test_a_photo_that_is_no_file_is_refused_before_the_job_is_opened(tmp_path: Path) -> None:
    assert verifyrig(tmp_path, "job", "open", "--complaint", "x", "--photo", str(tmp_path / "gone.png")) == 2
    assert not list((tmp_path).glob("jobs/*"))


# ---- labels


@pytest.mark.parametrize(
    ("name", "masked"),
    [("Q. Uestion", "Q. U•••"), ("Anna Maria Berg", "A••• M••• B•••"), ("Li", "Li"), ("", ""), ("Ünal", "Ü•••")],
)
def test_a_name_is_masked_to_its_initials(name: str, masked: str) -> None:
    assert masked_name(name) == masked


@pytest.mark.parametrize("tape", list(TAPES))
def test_labels_name_the_ticket_and_never_the_customer(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], tape: str
) -> None:
    bench = lay(tmp_path, complaint="off")
    capsys.readouterr()
    assert verifyrig(bench, "job", "labels", "--tape", tape, "--json") == 0
    (file,) = json.loads(capsys.readouterr().out)["files"]
    page = Path(file).read_text(encoding="utf-8")
    said = text_of(Path(file))
    assert said.count("T-104") == said.count("Q. U•••") == len(TAPES[tape].things)
    for thing in ("Machine", "Bag of parts", "Probe"):
        assert thing in said
    for private in ("Uestion", "000-111", "DEMO-0000", "1234"):
        assert private not in page
    assert "default-src 'none'" in page


@needs_browser
@pytest.mark.parametrize(("tape", "pages"), [("62", 3), ("29", 3), ("a6", 1)])
def test_labels_are_as_large_as_their_tape_and_the_code_is_the_jobs_id(tmp_path: Path, tape: str, pages: int) -> None:
    bench = lay(tmp_path, complaint="off")
    assert verifyrig(bench, "job", "labels", "--tape", tape, "--pdf", "--png") == 0
    page = bench / "reports" / f"{JOB}.labels-{tape}"
    info = pdf_info(Path(f"{page}.pdf"))
    size_mm = [float(part) / 72 * 25.4 for part in re.findall(r"[\d.]+", info["Page size"])[:2]]
    assert info["Pages"] == str(pages)
    assert size_mm == pytest.approx([TAPES[tape].width_mm, TAPES[tape].height_mm], abs=0.3)
    data = Path(f"{page}.png").read_bytes()
    width, height = int.from_bytes(data[16:20], "big"), int.from_bytes(data[20:24], "big")
    # 300 dots an inch.
    assert width == pytest.approx(TAPES[tape].width_mm / 25.4 * 300, abs=4)
    assert height == pytest.approx(TAPES[tape].height_mm * pages / 25.4 * 300, abs=10)
    assert PNG_MARK in data[:200]
    zxingcpp = pytest.importorskip("zxingcpp")
    image = pytest.importorskip("PIL.Image")
    found = zxingcpp.read_barcodes(image.open(f"{page}.png"))
    assert {code.text for code in found} == {JOB} and len(found) == len(TAPES[tape].things)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    sync = pytest.importorskip("playwright.sync_api")
    with sync.sync_playwright() as play:
        found = play.chromium.launch(executable_path=find_chromium(), args=["--no-sandbox"])
        yield found
        found.close()


@needs_browser
@pytest.mark.parametrize("tape", list(TAPES))
@pytest.mark.parametrize("language", ["en", "de"])
def test_no_word_of_a_label_is_cut_off(browser: Any, tmp_path: Path, tape: str, language: str) -> None:
    bench = lay(tmp_path, language, complaint="off")
    assert verifyrig(bench, "job", "correct", "model=A machine with a name that is long", "ticket=2024-000104") == 0
    assert verifyrig(bench, "job", "labels", "--tape", tape) == 0
    page = browser.new_page(java_script_enabled=True)
    page.goto((bench / "reports" / f"{JOB}.labels-{tape}.html").as_uri())
    over: list[Any] = page.evaluate(
        "[...document.querySelectorAll('.label')].map("
        "l => [l.scrollHeight - l.clientHeight, l.scrollWidth - l.clientWidth])"
    )
    page.close()
    assert over and all(down <= 0 and right <= 0 for down, right in over)


def test_a_png_is_marked_and_anything_else_refused() -> None:
    data = png(3, 2)
    marked = marked_png(data)
    assert marked[:33] == data[:33] and marked[33:].endswith(data[33:]) and PNG_MARK in marked
    # The checksum is over type and data of the chunk (Portable Network Graphics, 5.3).
    size = int.from_bytes(marked[33:37], "big")
    assert zlib.crc32(marked[37 : 41 + size]) == int.from_bytes(marked[41 + size : 45 + size], "big")
    for wrong in (b"", b"GIF89a", data[:10]):
        with pytest.raises(ValueError, match="no PNG"):
            marked_png(wrong)


@needs_browser
def test_a_png_of_somebody_else_is_not_written_over(tmp_path: Path) -> None:
    bench = lay(tmp_path, complaint="off")
    other = bench / "reports" / f"{JOB}.labels-62.png"
    other.parent.mkdir()
    other.write_bytes(png(2, 2))
    assert verifyrig(bench, "job", "labels", "--png") == 2
    assert other.read_bytes() == png(2, 2)
