"""What the bench stick's image is made of: a table that every firmware reads, an archive that the kernel reads."""

from __future__ import annotations

import random
import shutil
import struct
import subprocess
import uuid
import zlib
from pathlib import Path

import pytest

from stick.making import cpio, disk, fat, grub, modules, packages, verity, wheels
from stick.making.clearing import clear
from stick.making.run import BuildError, NotToBeHad
from tests.stick.guest import answer_in
from tests.stick.image import mirror
from tests.stick.partition import data_offset, is_dirty, put, take
from tests.stick.share import is_starved
from tests.stick.write_log import drive, entries, left_by_cut

IDENT = uuid.UUID("11111111-2222-4333-8444-555555555555")


def image_of(path: Path, *parts: disk.Partition) -> Path:
    disk.write(path, b"\x90" * 440, IDENT, list(parts))
    return path


def part(name: str, sectors: int, content: bytes | Path = b"x") -> disk.Partition:
    return disk.Partition(
        kind=disk.BASIC_DATA, name=name, ident=uuid.uuid5(IDENT, name), sectors=sectors, content=content
    )


# UEFI Specification 2.10, section 5.3: signature, header size 92, CRC over the header with its own field zero, a copy
# in the last sector, entries of 128 bytes whose CRC stands in both.
def test_both_tables_fit_their_digests_and_point_at_one_another(tmp_path: Path) -> None:
    image = image_of(tmp_path / "x.img", part("one", 3000), part("two", 2048))
    data = image.read_bytes()
    last = len(data) // 512 - 1
    for here, other, table in ((1, last, 2), (last, 1, last - 32)):
        head = data[here * 512 : here * 512 + 92]
        assert head[:8] == b"EFI PART" and struct.unpack_from("<I", head, 12)[0] == 92
        plain = head[:16] + bytes(4) + head[20:]
        assert struct.unpack_from("<I", head, 16)[0] == zlib.crc32(plain)
        assert struct.unpack_from("<QQ", head, 24) == (here, other)
        assert struct.unpack_from("<Q", head, 72)[0] == table
        entries = data[table * 512 : table * 512 + 128 * 128]
        assert struct.unpack_from("<I", head, 88)[0] == zlib.crc32(entries)
    spans = [struct.unpack_from("<QQ", data, 1024 + 128 * n + 32) for n in range(2)]
    assert spans == [(2048, 2048 + 2999), (6144, 6144 + 2047)], "each begins at a whole MiB, none overlaps"
    assert data[510:512] == b"\x55\xaa" and data[450] == 0xEE  # the protective entry, section 5.2.3


def test_the_lock_names_all_that_the_program_needs() -> None:
    wheels.check_lock()


def test_the_same_parts_give_the_same_bytes(tmp_path: Path) -> None:
    one, other = (image_of(tmp_path / name, part("one", 100)) for name in ("a.img", "b.img"))
    assert one.read_bytes() == other.read_bytes()


def test_the_archive_is_what_another_program_reads(tmp_path: Path) -> None:
    if shutil.which("cpio") is None:
        pytest.skip("the program cpio is not installed")
    tree = tmp_path / "tree"
    (tree / "bin").mkdir(parents=True)
    (tree / "bin/a").write_bytes(b"12345")
    (tree / "bin/b").symlink_to("a")
    data = cpio.archive(tree, {"dev/console": (0o020600, 5, 1)})
    done = subprocess.run(["cpio", "-tv", "--quiet"], input=data, capture_output=True, check=True)
    lines = [line.split() for line in done.stdout.decode().splitlines()]
    assert [(words[0], words[-1]) for words in lines] == [
        ("drwxr-xr-x", "bin"), ("-rw-r--r--", "bin/a"), ("lrwxrwxrwx", "a"), ("crw-------", "dev/console"),
    ]  # fmt: skip
    assert data == cpio.archive(tree, {"dev/console": (0o020600, 5, 1)})


needs_mtools = pytest.mark.skipif(
    shutil.which("mcopy") is None or shutil.which("mkfs.vfat") is None, reason="mtools or dosfstools is not installed"
)


@needs_mtools
def test_what_is_put_on_the_data_partition_is_read_back_and_no_time_of_making_is_in_it(tmp_path: Path) -> None:
    text = tmp_path / "bench.toml"
    text.write_text("# empty\n")
    whole = tmp_path / "data.fat"
    fat.make(whole, mib=40, label="VERIFYRIG", serial="56524244", files={"runs/bench.toml": text}, epoch=1_700_000_000)
    image = image_of(tmp_path / "x.img", part("vr-data-abc", 40 * 2048, whole))
    assert data_offset(image) == 2048 * 512 and not is_dirty(image)
    entries = [line for line in _entries(whole) if line[11] != 0x0F]
    assert entries and all(entry[13:20] == bytes(7) for entry in entries), "creation and access times (FAT spec, 6)"
    put(image, {"stick.toml": 'keyboard = "us"\n'})
    taken = take(image, tmp_path / "taken")
    assert (taken / "runs/bench.toml").read_text() == "# empty\n"
    assert (taken / "stick.toml").read_text() == 'keyboard = "us"\n'


def _entries(image: Path) -> list[bytes]:
    """Return the entries of the root folder (FAT32 File System Specification, Microsoft, sections 3 and 6)."""
    data = image.read_bytes()
    reserved, tables = struct.unpack_from("<H", data, 14)[0], data[16]
    (size,) = struct.unpack_from("<I", data, 36)
    at = (reserved + tables * size) * 512
    found = [data[n : n + 32] for n in range(at, at + 512, 32)]
    return [entry for entry in found if entry[0] not in (0, 0xE5)]


def test_a_module_that_needs_a_network_is_refused_by_name() -> None:
    needs = {"drivers/scsi/a.ko": ["net/core/b.ko"], "drivers/hwmon/c.ko": ["net/rfkill/rfkill.ko"]}
    with pytest.raises(BuildError, match=r"net/core/b\.ko"):
        modules.with_needs({"drivers/scsi/a.ko"}, needs)
    assert modules.without_network({*needs}, needs) == {"drivers/hwmon/c.ko"}
    assert modules.with_needs({"drivers/hwmon/c.ko"}, needs) == {"drivers/hwmon/c.ko", "net/rfkill/rfkill.ko"}


def test_a_module_of_the_first_system_that_the_kernel_lacks_stops_the_build() -> None:
    with pytest.raises(BuildError, match="no module of this kernel fits"):
        modules.chosen(["drivers/hwmon/coretemp.ko"], "initrd")


def test_the_kernel_is_told_the_tree_as_its_document_says() -> None:
    # Linux, Documentation/admin-guide/device-mapper/verity.rst: the tree begins one block behind its own head.
    table = verity.Checked(path=Path("x"), data_blocks=100, root_hash="ab").table
    assert table.split()[:11] == ["0", "800", "verity", "1", "DEV", "DEV", "4096", "4096", "100", "101", "sha256"]


def test_the_menu_has_a_plain_and_a_serial_entry_and_leaves_the_firmwares_store_alone() -> None:
    text = grub.menu("id-abc", "verifyrig.id=abc")
    assert text.count("menuentry") == 3 and text.count("efi_pstore.pstore_disable=1") == 3
    assert "nomodeset" in text and "console=ttyS0,115200" in text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Types: deb\nURIs: http://mirror.example/debian/\nSuites: x\n", "http://mirror.example/debian"),
        ("deb http://mirror.example/debian bookworm main\n", "http://mirror.example/debian"),
        ("deb http://mirror.example/ubuntu noble main\n", "http://deb.debian.org/debian"),
    ],
)
def test_the_mirror_is_that_of_the_machine(text: str, expected: str, tmp_path: Path) -> None:
    folder = tmp_path / "sources.list.d"
    folder.mkdir()
    (folder / ("a.sources" if text.startswith("Types") else "a.list")).write_text(text)
    if not text.startswith("Types"):
        (folder / "a.list").rename(tmp_path / "sources.list")
    assert mirror(tmp_path) == expected


def test_a_mirror_that_answers_and_lacks_a_package_is_a_fault_of_the_list(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*words: str | Path, **options: object) -> str:
        raise BuildError("mmdebstrap failed (25)")

    monkeypatch.setattr(packages, "run", fails)
    monkeypatch.setattr(shutil, "which", lambda name: f"/usr/bin/{name}")
    monkeypatch.setattr("os.geteuid", lambda: 0)
    release = tmp_path / "mirror/dists/trixie/InRelease"
    release.parent.mkdir(parents=True)
    mirror_url = (tmp_path / "mirror").as_uri()
    for is_there in (False, True):
        if is_there:
            release.write_text("Origin: Debian\n")
        with pytest.raises(BuildError) as caught:
            packages.fetch(tmp_path / "work", mirror=mirror_url, suite="trixie", small=True, epoch=1, fresh=False)
        assert isinstance(caught.value, NotToBeHad) is not is_there


def test_a_guest_that_wanted_the_processors_and_was_not_given_them_is_starved_and_one_that_hangs_idle_is_not() -> None:
    assert is_starved(40.0, 400.0, 500.0)
    assert not is_starved(12.0, 3.0, 500.0), "it waits for something that never comes: a fault"
    assert not is_starved(480.0, 300.0, 500.0), "it had far more than any start needs"


def test_an_answer_on_the_serial_line_is_told_from_the_echo_of_its_command() -> None:
    # As the shell of a guest showed it: its prompt, the line typed, what came, the mark.
    said = "\n# cat /sys/block/nvme0n1/ro; echo DONE''3=$?.\n1\nDONE3=0."
    assert answer_in(said, "DONE3") == "1"
    typed_early = "cat a; echo DONE''1=$?.\n# one\ntwo\nDONE1=0."
    assert answer_in(typed_early, "DONE1") == "one\ntwo"


def test_a_folder_in_which_something_is_mounted_is_not_removed(tmp_path: Path) -> None:
    # What an interrupted installation leaves: the machine's own shared memory inside the root folder.
    root = tmp_path / "work/root"
    (root / "dev/shm").mkdir(parents=True)
    (root / "dev/shm/of-somebody-else").write_text("x")
    mounts = tmp_path / "mountinfo"
    mounts.write_text(f"22 1 8:1 / / rw - ext4 /dev/sda1 rw\n30 22 0:27 / {root}/dev/shm rw - tmpfs tmpfs rw\n")
    with pytest.raises(BuildError, match=r"umount .*dev/shm"):
        clear(tmp_path / "work", mounts)
    assert (root / "dev/shm/of-somebody-else").exists()
    mounts.write_text("22 1 8:1 / / rw - ext4 /dev/sda1 rw\n")
    clear(tmp_path / "work", mounts)
    assert not root.exists()


@pytest.mark.skipif(shutil.which("qemu-io") is None, reason="qemu-utils is not installed")
def test_a_cut_leaves_what_was_written_until_then_and_a_cache_may_lose_what_came_after_the_last_flush(
    tmp_path: Path,
) -> None:
    disk_image, log = tmp_path / "disk.img", tmp_path / "log"
    disk_image.write_bytes(bytes(8192))
    writes = ["write -P 1 4096 1024", "flush", "write -P 2 4096 512", "write -P 3 0 512"]
    words = ["qemu-io", "-c", f"open -o {drive(disk_image, log)}", *(word for one in writes for word in ("-c", one))]
    subprocess.run(words, capture_output=True, check=True)
    whole = entries(log)
    assert [one.is_flush for one in whole[:4]] == [False, True, False, False]
    one, two = b"\1" * 512, b"\2" * 512
    assert left_by_cut(whole, 1, bytes(4096), 4096, log)[:1024] == one + one
    assert left_by_cut(whole, 3, bytes(4096), 4096, log)[:1024] == two + one, "what lies before the part is left out"
    draws = {left_by_cut(whole, 4, bytes(4096), 4096, log, random.Random(seed))[:1024] for seed in range(9)}
    assert draws == {one + one, two + one}, "a flushed write is never lost, a later one now and then"
