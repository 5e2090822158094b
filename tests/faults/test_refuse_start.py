"""What cannot be kept is refused at the start, by the command itself: exit code not 0 and one line
that names the setting, its value and what to do."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from service.store.open import DATABASE
from service.store.verify import verify
from tests.support.app import LOT, open_lot, service
from tests.support.faulty_disk import FaultyDisk
from tests.support.forked import Forked
from tests.support.process import Served

Refusal = tuple[int, list[str]]

pytestmark = pytest.mark.faults


@dataclass(frozen=True, slots=True)
class Command:
    """`drupe serve` in warm children, under a clock and a mount table of the test's."""

    disk: FaultyDisk
    forked: Forked
    mounts: Path

    def __call__(self, data: Path, *options: str) -> Refusal:
        code, lines = self.forked.run(
            "tests.faults.test_refuse_start:serve", "--data", str(data), *options)
        assert lines == [], "it serves"
        return code, self.forked.said()


def serve(*options: str) -> None:
    """In a child; if it is not refused it says its address, which fails the test, and ends."""
    import signal

    from service.cli.main import main

    signal.alarm(10)
    main(["serve", "--port", "0", "--json", *options], prog_name="drupe")


@pytest.fixture(scope="module")
def command(
    disk_library: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Command]:
    folder = tmp_path_factory.mktemp("refuse")
    mounts = folder / "mounts"
    mounts.write_bytes(Path("/proc/self/mountinfo").read_bytes())
    disk = FaultyDisk(library=disk_library, root=tmp_path_factory.getbasetemp(), folder=folder,
                      mounts=mounts)
    with Forked(env=disk.env, stderr=folder / "stderr") as forked:
        yield Command(disk, forked, mounts)


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with one lot."""
    with service(tmp_path / "data") as client:
        open_lot(client)
    return tmp_path / "data"


def edit(data: Path, sql: str, *values: object) -> None:
    with closing(sqlite3.connect(data / DATABASE)) as conn, conn:
        assert conn.execute(sql, values).rowcount == 1


def says(found: Refusal, *parts: str) -> None:
    """One line that holds the parts in their order, and an exit code that is not 0."""
    code, lines = found
    assert code != 0
    assert len(lines) == 1, lines
    at = 0
    for part in parts:
        at = lines[0].find(part, at)
        assert at >= 0, (part, lines[0])


@pytest.mark.parametrize(("text", "parts"), [
    ('synchronous = "NORMAL"', ("synchronous", "NORMAL", "FULL")),
    ("synchronous = 1", ("synchronous", "1", "FULL")),
    ("que_fruit = 5", ("que_fruit", "5", "not known", "queue_fruit")),
    ("queue_fruit = 10", ("queue_fruit", "10", "1000")),
    ('host = "0.0.0.0"', ("host", "0.0.0.0", "allow_remote")),
    ('unregistered_sources = "maybe"', ("unregistered_sources", "maybe", "refuse")),
    ("port = 8747\nport = 1", ("config", "mend")),
])
def test_settings(command: Command, tmp_path: Path, text: str, parts: tuple[str, ...]) -> None:
    config = tmp_path / "drupe.toml"
    config.write_text(text + "\n", encoding="utf-8")
    says(command(tmp_path / "data", "--config", str(config)), *parts)
    assert not (tmp_path / "data").exists()


def test_a_network_file_system(command: Command, tmp_path: Path) -> None:
    """The mount table is one of a machine whose data folder is on another's disk (proc(5))."""
    before = command.mounts.read_bytes()
    place = tmp_path.resolve() / "data"
    command.mounts.write_text("22 1 8:1 / / rw - ext4 /dev/sda1 rw\n"
                              f"30 22 0:41 / {place} rw - nfs4 box:/export rw,vers=4.2\n")
    says(command(place), str(place), "nfs4", "--data", "local disk")
    assert list(place.iterdir()) == []
    command.mounts.write_bytes(before)


def test_a_second_process(command: Command, data: Path) -> None:
    served = Served(data)
    served.start()
    says(command(data), str(data), f"in use by process {served.pid}", "another --data")
    other = data.parent / "other"
    says(command(other, "--port", str(served.port)), "port", str(served.port), "another --port")
    assert served.request("POST", "/v1/lots", {**LOT, "id": "L-0418"})[0] == 201
    assert served.stop() == 0


def test_a_store_of_a_newer_version(command: Command, data: Path) -> None:
    edit(data, "INSERT INTO migration VALUES (999, 'from the future', 1)")
    says(command(data), "schema", "999", "newer version", "backup")


@pytest.mark.parametrize("shows_s", [0, 1_577_750_000], ids=["1970", "2019"])
def test_an_unset_clock(command: Command, tmp_path: Path, shows_s: int) -> None:
    """As on a board without a battery: the clock starts in 1970, or at its firmware's date."""
    command.disk.set(clock_s=shows_s - int(time.time()))
    year = time.gmtime(shows_s).tm_year
    says(command(tmp_path / "data"), "clock", str(year), "set it")
    assert not (tmp_path / "data").exists()
    command.disk.set(clock_s=0)


@pytest.mark.parametrize(("sql", "parts"), [
    ("UPDATE standard SET text = replace(text, '\"edition\"', '\"editiom\"')",
     ("standard house-long-distance", "digest", "backup")),
    ("UPDATE standard SET digest = 'a' || substr(digest, 2) WHERE substr(digest, 1, 1) <> 'a'",
     ("standard house-long-distance", "digest a", "backup")),
    ("UPDATE profile SET text = text || ' '", ("profile ember-lass", "digest", "backup")),
])
def test_a_standard_whose_text_is_not_the_one_of_its_digest(
    command: Command, data: Path, sql: str, parts: tuple[str, ...]
) -> None:
    edit(data, sql)
    says(command(data), *parts)
    found = verify(data_dir=data)
    assert str(found.bad).startswith(parts[0])


def test_a_lot_whose_standard_is_gone(command: Command, data: Path) -> None:
    edit(data, "DELETE FROM standard")
    says(command(data), "lot L-0417", "standard", "backup")


def test_a_file_that_is_no_database(command: Command, tmp_path: Path) -> None:
    (tmp_path / DATABASE).write_bytes(b"grower,block\n" * 1000)
    says(command(tmp_path), str(tmp_path), "not a database", "backup")
