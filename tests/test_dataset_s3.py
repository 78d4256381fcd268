"""The dataset on an object store: moto's server speaks S3 over HTTP on loopback, as a store on the network does.

Uploads break, two write at once, listings lag: nothing is counted twice, and nothing is lost.
"""

from __future__ import annotations

import contextlib
import json
import socket
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from tests.small_records import PROFILE_TEXT, write_record
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import cli
from verifyrig.qa.dataset import export_dataset
from verifyrig.qa.dataset.place import open_place

for needed in ("pyarrow", "s3fs", "moto.server", "flask"):
    pytest.importorskip(needed, reason=f"{needed} is not installed: no store to write to")

BUCKET = "fleet-figures"


class Proxy:
    """Passes bytes between a client and the store; `cut_after` ends connections after so many bytes of a request."""

    def __init__(self, to: tuple[str, int]) -> None:
        self._to = to
        self.cut_after: int | None = None
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listening.accept()
            except OSError:
                return
            store = socket.create_connection(self._to)
            threading.Thread(target=self._pass, args=(client, store, True), daemon=True).start()
            threading.Thread(target=self._pass, args=(store, client, False), daemon=True).start()

    def _pass(self, source: socket.socket, target: socket.socket, asking: bool) -> None:
        passed = 0
        while True:
            try:
                data = source.recv(4096)
            except OSError:
                data = b""
            if asking and self.cut_after is not None and passed + len(data) > self.cut_after:
                target.sendall(data[: self.cut_after - passed])
                data = b""
            if not data:
                break
            passed += len(data)
            try:
                target.sendall(data)
            except OSError:
                break
        for end in (source, target):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def close(self) -> None:
        self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()


@pytest.fixture(scope="module")
def store() -> Iterator[Proxy]:
    """Start the store, and what stands between it and us; make the bucket."""
    from moto.server import ThreadedMotoServer
    from s3fs import S3FileSystem

    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    proxy = Proxy((host, port))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AWS_ENDPOINT_URL", f"http://127.0.0.1:{proxy.port}")
        for key, value in {"ACCESS_KEY_ID": "invented", "SECRET_ACCESS_KEY": "invented", "MAX_ATTEMPTS": "1"}.items():
            patch.setenv(f"AWS_{key}", value)
        patch.setenv("AWS_DEFAULT_REGION", "us-east-1")
        S3FileSystem.clear_instance_cache()
        S3FileSystem().mkdir(BUCKET)
        yield proxy
        S3FileSystem.clear_instance_cache()
    proxy.close()
    server.stop()


@pytest.fixture(scope="module")
def benches(tmp_path_factory: pytest.TempPathFactory) -> list[Bench]:
    """Return two benches of three units each, in two months."""
    made = []
    for at, name in enumerate(("north-1", "south-1")):
        root = tmp_path_factory.mktemp(name)
        (root / "runs").mkdir()
        (root / "profiles").mkdir()
        (root / "profiles" / "tiny-build.toml").write_text(PROFILE_TEXT, "utf-8")
        (root / "bench.toml").write_text(f'[bench]\nid = "{name}"\n', "utf-8")
        for number in (0, 1, 4400):  # the last a month later
            write_record(root / "runs", 10 * at + number, unit=f"{name}-{number}", facts={"bench": name})
        made.append(find_bench(str(root)))
    return made


def export(bench: Bench, place: str, site: str = "here") -> Any:
    return export_dataset(bench.root, bench.records(), place, site=site, bench=bench.bench_id, workers=1)


def answer(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    code = cli.run([*words, "--profile", "tiny-build", "--cores", "1", "--json"])
    return code, json.loads(capsys.readouterr().out)


def units(capsys: pytest.CaptureFixture[str], bench: Bench, place: str) -> list[str]:
    found = answer(capsys, "qa", "--bench", str(bench.root), "--dataset", place)[1]
    return sorted(attempt["unit"] for attempt in found["attempts"])


def test_the_store_answers_as_the_records_do_and_again_with_the_same_bytes(
    store: Proxy, benches: list[Bench], capsys: pytest.CaptureFixture[str]
) -> None:
    place = f"s3://{BUCKET}/answers"
    assert len(export(benches[0], place).written) == 2
    system = open_place(place).system
    before = {path: system.cat_file(path) for path in system.find(f"{BUCKET}/answers")}
    again = export(benches[0], place)
    assert (again.written, len(again.unchanged)) == ([], 2)
    assert {path: system.cat_file(path) for path in system.find(f"{BUCKET}/answers")} == before
    ours = answer(capsys, "qa", "--bench", str(benches[0].root))
    assert ours == answer(capsys, "qa", "--bench", str(benches[0].root), "--dataset", place)
    assert ours[1]["units"] == 3


def test_an_upload_that_breaks_leaves_what_was_there_whole(
    store: Proxy, benches: list[Bench], capsys: pytest.CaptureFixture[str]
) -> None:
    place = f"s3://{BUCKET}/broken"
    export(benches[1], place)
    late = write_record(benches[1].root / "runs", 60, unit="late", facts={"bench": "south-1"})
    words = ["dataset", place, "--site", "here", "--bench", str(benches[1].root)]
    try:
        store.cut_after = 6000  # of a file of some 20 000 bytes; questions are shorter
        assert cli.run(words) == 2
        said = capsys.readouterr().err
        assert "cannot be written" in said and "month=2026-02" in said
        store.cut_after = None
        assert len(units(capsys, benches[1], place)) == 3
        assert cli.run(words) == 0
        capsys.readouterr()
        assert "late" in units(capsys, benches[1], place)
    finally:
        store.cut_after = None
        late.unlink()


def test_two_that_write_at_once_lose_and_double_nothing(
    store: Proxy, benches: list[Bench], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from s3fs import S3FileSystem

    # This server fails now and then while two replace one object, as a busy store does; the client tries again.
    monkeypatch.setenv("AWS_MAX_ATTEMPTS", "6")
    S3FileSystem.clear_instance_cache()
    place = f"s3://{BUCKET}/at-once"
    every = [(bench, site) for bench in benches for site in ("here", "here", "there")]
    with ThreadPoolExecutor(len(every)) as pool:
        list(pool.map(lambda own: export(own[0], place, own[1]), every))
    assert len(units(capsys, benches[0], place)) == 6
    names = open_place(place).names()
    assert len(names) == 8 and not [name for name in names if not name.endswith(".parquet")]


def test_a_listing_that_lags_hides_no_run_of_a_known_bench(
    store: Proxy, benches: list[Bench], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from s3fs import S3FileSystem

    place = f"s3://{BUCKET}/lagging"
    last = benches[0].records()[-1]
    aside = last.rename(last.with_suffix(".aside"))
    assert export(benches[0], place).runs == 2
    shown = set(open_place(place).system.find(f"{BUCKET}/lagging"))
    aside.rename(last)
    assert export(benches[0], place).runs == 3
    find = S3FileSystem.find
    with monkeypatch.context() as lag:
        lag.setattr(S3FileSystem, "find", lambda *args, **kwargs: [p for p in find(*args, **kwargs) if p in shown])
        assert len(open_place(place).names()) == 2
        assert len(units(capsys, benches[0], place)) == 3
        assert export(benches[0], place).written == []
    assert len(units(capsys, benches[0], place)) == 3
