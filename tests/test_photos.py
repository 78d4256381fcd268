"""Photos: upright, scaled, without metadata; hostile files refused in one sentence; before and after on the pages."""

from __future__ import annotations

import io
import json
import resource
import struct
import zlib
from pathlib import Path
from typing import Any

import pytest
from PIL import ExifTags, Image, PngImagePlugin

from tests.fake_asker import FakeAsker
from tests.pictures import png
from tests.test_job_store import INTAKE, NOW
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import Context
from verifyrig.commands import job as job_command
from verifyrig.commands.cli import run
from verifyrig.commands.parsers import command_parser
from verifyrig.core.errors import JobError
from verifyrig.files.picture import KEPT_SIDE_PX, MOST_PIXELS, PAGE_SIDE_PX, UnfitPicture, read_picture
from verifyrig.jobs.photo_store import check_photo, keep_photos
from verifyrig.jobs.store import new_job, read_job
from verifyrig.report.gather import gather
from verifyrig.report.masking import masked
from verifyrig.report.render import render

RED, BLUE = (220, 20, 20), (20, 20, 220)
SECRET = b"PHONE-OF-NOBODY"


def camera_photo(path: Path, orientation: int = 1, size: tuple[int, int] = (60, 40)) -> Path:
    """A photo whose left half is red and right half blue, with all that a telephone writes beside it."""
    image = Image.new("RGB", size, BLUE)
    image.paste(RED, (0, 0, size[0] // 2, size[1]))
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    exif[ExifTags.Base.Make] = SECRET.decode()
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (52.0, 31.0, 12.0)
    image.save(path, "JPEG", quality=95, exif=exif, comment=SECRET)
    return path


def opened(data: bytes) -> Image.Image:
    image = Image.open(io.BytesIO(data))
    image.load()
    return image


def near(found: Any, wanted: tuple[int, int, int]) -> bool:
    return all(abs(a - b) < 40 for a, b in zip(found[:3], wanted, strict=True))


# ---- what is kept


# Exif 2.32 (CIPA DC-008), tag 0x0112: where the stored first row and column belong. By it the red left half of a
# stored picture is seen at: 1 left, 3 right, 6 top (the stored left is the top), 8 bottom; mirrored: 2 right.
@pytest.mark.parametrize(
    ("orientation", "red_at", "size"),
    [
        (1, "left", (60, 40)),
        (2, "right", (60, 40)),
        (3, "right", (60, 40)),
        (6, "top", (40, 60)),
        (8, "bottom", (40, 60)),
    ],
)
def test_a_photo_is_kept_upright(tmp_path: Path, orientation: int, red_at: str, size: tuple[int, int]) -> None:
    image = opened(read_picture(camera_photo(tmp_path / "a.jpg", orientation)).data)
    assert image.size == size
    wide, high = size
    at = {"left": (3, high // 2), "right": (wide - 4, high // 2)}
    at |= {"top": (wide // 2, 3), "bottom": (wide // 2, high - 4)}
    opposite = {"left": "right", "right": "left", "top": "bottom", "bottom": "top"}[red_at]
    assert near(image.getpixel(at[red_at]), RED) and near(image.getpixel(at[opposite]), BLUE)


def test_nothing_of_the_camera_is_left_and_a_large_photo_is_scaled(tmp_path: Path) -> None:
    path = camera_photo(tmp_path / "a.jpg", size=(4000, 1000))
    assert SECRET in path.read_bytes()
    found = read_picture(path)
    image = opened(found.data)
    assert SECRET not in found.data and b"Exif" not in found.data
    assert not image.getexif() and "comment" not in image.info
    assert (image.format, image.size, (found.width_px, found.height_px)) == ("JPEG", (KEPT_SIDE_PX, 500), (2000, 500))
    assert max(opened(read_picture(path, PAGE_SIDE_PX).data).size) == PAGE_SIDE_PX
    assert read_picture(path) == found  # the same bytes each time: pages made twice are the same


def test_a_drawing_with_a_clear_ground_becomes_white(tmp_path: Path) -> None:
    drawn = Image.new("RGBA", (20, 20), (0, 0, 0, 0))
    text = PngImagePlugin.PngInfo()
    text.add_text("Author", SECRET.decode())
    drawn.save(tmp_path / "a.png", pnginfo=text)
    Image.new("L", (20, 20), 128).save(tmp_path / "b.webp")
    found = read_picture(tmp_path / "a.png")
    assert near(opened(found.data).getpixel((10, 10)), (255, 255, 255)) and SECRET not in found.data
    assert near(opened(read_picture(tmp_path / "b.webp").data).getpixel((10, 10)), (128, 128, 128))


def test_damaged_metadata_take_the_picture_not_down_and_say_nothing(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = camera_photo(tmp_path / "a.jpg", orientation=6)
    whole = path.read_bytes()
    # Exif 2.32: an entry is tag, type, count, offset; with such a count its text would lie beyond the end of the file.
    entries = [struct.pack(order + "HHI", ExifTags.Base.Make, 2, len(SECRET) + 1) for order in "<>"]
    (entry,) = (one for one in entries if one in whole)
    order = "<>"[entries.index(entry)]
    path.write_bytes(whole.replace(entry, struct.pack(order + "HHI", ExifTags.Base.Make, 2, 1 << 30)))
    assert opened(read_picture(path).data).size == (40, 60)
    cut = whole.index(b"Exif\0\0") + 20  # the head of the metadata, and nothing behind it
    path.write_bytes(whole[:cut] + bytes(60) + whole[cut + 60 :])
    assert opened(read_picture(path).data).size in ((40, 60), (60, 40))
    assert capfd.readouterr().err == ""


# ---- hostile files


def bomb(width: int, height: int) -> bytes:
    """A PNG whose head promises so many points; there are few bytes behind it."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return len(data).to_bytes(4, "big") + kind + data + zlib.crc32(kind + data).to_bytes(4, "big")

    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    points = zlib.compress(b"\0" * 5000)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", points) + chunk(b"IEND", b"")


def hostile(tmp_path: Path) -> dict[str, tuple[bytes, str]]:
    whole = camera_photo(tmp_path / "whole.jpg", size=(600, 400)).read_bytes()
    flat = png(300, 200)
    out = io.BytesIO()
    Image.new("RGB", (30, 20)).save(out, "TIFF")
    return {
        "empty": (b"", "no JPEG, PNG or WebP"),
        "text": (b"I am a photo, believe me.", "no JPEG, PNG or WebP"),
        "svg": (b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>", "no JPEG, PNG or WebP"),
        "other format": (out.getvalue(), "no JPEG, PNG or WebP"),
        "cut jpeg": (whole[: len(whole) // 2], "cut short or damaged"),
        "cut png": (flat[: len(flat) - 30], "cut short or damaged"),
        "head alone": (whole[:20], "no JPEG, PNG or WebP"),
        "damaged png": (flat[:60] + bytes(20) + flat[80:], "cut short or damaged"),
        "over the limit": (bomb(8001, 8000), "million points"),
        "bomb": (bomb(60_000, 60_000), "million points"),
        "beyond all": (bomb(2_000_000_000, 2_000_000_000), "million points"),
        "no height": (bomb(100, 0), ""),
    }


def test_hostile_files_are_refused_in_one_sentence_and_nothing_is_kept(tmp_path: Path) -> None:
    bench = Bench(root=tmp_path / "bench")
    new_job(bench, INTAKE, job_id="a", now=NOW)
    for name, (data, why) in hostile(tmp_path).items():
        path = tmp_path / f"{name}.jpg"
        path.write_bytes(data)
        with pytest.raises(JobError) as refused:
            keep_photos(bench, "a", "e1", [camera_photo(tmp_path / "good.jpg"), path])
        assert why in refused.value.what and "\n" not in str(refused.value) and refused.value.mend, name
    assert MOST_PIXELS < 8001 * 8000 and not list(bench.job_dir("a").glob("photos/*"))
    for bad in (tmp_path / "gone.jpg", tmp_path, Path("a\0b")):
        with pytest.raises(JobError, match="no file"):
            check_photo(bad)


def test_a_bomb_takes_no_memory(tmp_path: Path) -> None:
    """Unpacked it would take 3.6 GB; nothing is unpacked."""
    (tmp_path / "bomb.png").write_bytes(bomb(60_000, 60_000))
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    at = ["--bench", str(tmp_path / "bench")]
    assert run(["job", "open", "--complaint", "x", "--photo", str(tmp_path / "bomb.png"), *at]) == 2
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 300_000
    assert not (tmp_path / "bench" / "jobs").exists()


def test_a_photo_that_cannot_be_read_any_more_is_refused_by_the_page_not_the_report(tmp_path: Path) -> None:
    bench, pages = job_with_photos(tmp_path)
    kept = bench.job_dir("a") / read_job(bench, "a").changes[0].detail["photos"][0]
    kept.write_bytes(b"somebody wrote over it")
    report = gather(find_bench(str(tmp_path)), ["a"])
    archive = render(report, "archive", now_utc=2e9)
    assert archive.count("data:image/jpeg") == pages["archive"].count("data:image/jpeg") - 1
    assert f"These photos cannot be shown: {kept.name}." in archive


# ---- on the pages


def job_with_photos(tmp_path: Path) -> tuple[Bench, dict[str, str]]:
    """A job with three photos of its condition and two changes with photos; and its editions."""
    (tmp_path / "bench.toml").write_text("", encoding="utf-8")
    photos = [str(camera_photo(tmp_path / f"{n}.jpg", size=(90 + n, 60))) for n in range(7)]
    at = ["--bench", str(tmp_path)]
    condition = [word for photo in photos[:3] for word in ("--photo", photo)]
    own = ["--serial", "MACHINE-0815-4711", "--complaint", "hot"]
    assert run(["job", "open", "--id", "a", *own, *condition, *at]) == 0
    assert run(["job", "change", "cleaned", "--photo-before", photos[3], "--photo", photos[4], *at]) == 0
    part = ["--part", "pump", "--lot", "PUMP-SERIAL-123456", "--note", "was MACHINE-0815-4711's"]
    assert run(["job", "change", "part-replaced", *part, "--photo", photos[5], "--photo", photos[6], *at]) == 0
    report = gather(find_bench(str(tmp_path)), ["a"])
    editions = {"customer": render(report, "customer", now_utc=2e9), "archive": render(report, "archive", now_utc=2e9)}
    return Bench(root=tmp_path), editions


def test_two_of_before_and_two_of_after_for_the_customer_and_all_in_the_archive(tmp_path: Path) -> None:
    bench, pages = job_with_photos(tmp_path)
    assert (pages["customer"].count("data:image/jpeg"), pages["archive"].count("data:image/jpeg")) == (4, 7)
    shown = pages["customer"].split('<div class="photos">')[1].split("</div>")[0]
    assert shown.count("<figcaption>") == 4 and shown.count("as it came in, ") == 2  # below it, and as its alternative
    assert shown.count('class="before"') == 2 and shown.count('class="after"') == 2
    assert "3 further photos lie with the shop." in pages["customer"]
    assert "further photo" not in pages["archive"]
    detail = read_job(bench, "a").changes[0].detail
    assert len(detail["photos"]) == len(detail["photos_before"]) == 1
    assert all(SECRET not in path.read_bytes() for path in (bench.job_dir("a") / "photos").iterdir())


def test_numbers_of_parts_can_be_read_and_the_customers_machine_is_masked(tmp_path: Path) -> None:
    _, pages = job_with_photos(tmp_path)
    assert "PUMP-SERIAL-123456" in pages["archive"] and "MACHINE-0815-4711" in pages["archive"]
    # The pump was fitted by the shop: under its number it has its warranty. The machine is the customer's.
    assert "PUMP-SERIAL-123456" in pages["customer"] and "MACHINE-0815-4711" not in pages["customer"]


def test_a_part_that_was_the_customers_stays_masked(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").touch()
    at = ["--bench", str(tmp_path)]
    assert run(["job", "open", "--id", "a", "--complaint", "hot", "--serial", "SERIAL-OF-MACHINE", *at]) == 0
    assert run(["job", "change", "part-fitted-for-test", "--part", "pump", "--lot", "OURS-0000-1111", *at]) == 0
    assert run(["job", "change", "part-returned", "--part", "pump", "--lot", "THEIRS-2222-3333", *at]) == 0
    assert run(["job", "change", "part-replaced", "--part", "fan", "--lot", "SERIAL-OF-MACHINE", *at]) == 0
    job = masked(gather(find_bench(str(tmp_path)), ["a"])).job
    assert job is not None
    assert [entry.detail["lot"] for entry in job.of_kind("change")] == ["OURS-0000-1111", "•••3333", "•••HINE"]


@pytest.mark.parametrize("keeps", [False, True])
def test_the_original_is_kept_only_where_the_shop_says_so(tmp_path: Path, keeps: bool) -> None:
    (tmp_path / "bench.toml").write_text(f"[privacy]\nkeep_original_photos = {str(keeps).lower()}\n", encoding="utf-8")
    bench = find_bench(str(tmp_path))
    new_job(bench, INTAKE, job_id="a", now=NOW)
    odd = camera_photo(tmp_path / "..paste print;rm.JPG")
    assert keep_photos(bench, "a", "e1", [odd]) == ["photos/e1-1.jpg"]
    names = sorted(path.name for path in (bench.job_dir("a") / "photos").iterdir())
    assert names == (["e1-1.jpg", "e1-1.original.jpg"] if keeps else ["e1-1.jpg"])
    if keeps:
        assert (bench.job_dir("a") / "photos" / "e1-1.original.jpg").read_bytes() == odd.read_bytes()


def test_an_intake_at_the_terminal_asks_for_photos_and_checks_them_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "text.jpg").write_bytes(b"no picture")
    good = [str(camera_photo(tmp_path / f"{n}.jpg")) for n in (1, 2)]
    answers = ["goes off", *[""] * 4, "1", "", "", *[""] * 10, "1", *[""] * 9]
    asker = FakeAsker(*answers, str(tmp_path / "text.jpg"), good[0], good[1], "", "", "")
    parser, _ = command_parser("job")
    context = Context(bench=find_bench(str(tmp_path)), json=False)
    answer = job_command.execute(parser.parse_args(["open"]), context, asker)
    assert asker.answers == [] and any("no JPEG, PNG or WebP picture" in line for line in asker.said)
    assert len(answer.data["entries"][0]["detail"]["photos"]) == 2
    assert run(["job", "slip", "--bench", str(tmp_path), "--json"]) == 0
    files = json.loads(capsys.readouterr().out)["files"]
    assert Path(files[0]).read_text(encoding="utf-8").count("data:image/jpeg") == 2


def test_the_reader_of_pictures_says_what_it_refuses(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(b"GIF89a")
    with pytest.raises(UnfitPicture, match="no JPEG"):
        read_picture(tmp_path / "a.png")
    link = tmp_path / "inside" / "link.jpg"
    link.parent.mkdir()
    link.symlink_to(camera_photo(tmp_path / "outside.jpg"))
    with pytest.raises(OSError, match="link out of its folder"):
        read_picture(link, inside=link.parent)
