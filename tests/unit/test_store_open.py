"""A promise that cannot be kept is refused in one line: setting, value, remedy."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from service.store.errors import Refused
from service.store.open import (
    DATABASE,
    check_filesystem,
    filesystem_of,
    measure_sync,
    open_for_writing,
    open_store,
    take_lock,
)

NOW = 1_785_153_600_000

# Laid out as proc(5) describes /proc/pid/mountinfo.
MOUNTS = r"""22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw
30 22 0:41 / /srv rw,relatime shared:2 master:7 - nfs4 box:/export rw,vers=4.2
31 30 8:2 / /srv/local rw,relatime - xfs /dev/sdb1 rw
32 22 0:50 / /mnt/two\040words rw - fuse.sshfs user@box:/ rw
33 22 0:51 / /host rw - 9p drvfs rw
34 22 0:52 / /over rw - ext4 /dev/sdc1 rw
35 34 0:53 / /over rw - cifs //box/share rw
36 22 0:54 / /usb rw - fuseblk /dev/sdd1 rw
garbled line
"""


@pytest.mark.parametrize(("path", "kind"), [
    ("/var/lib/drupe", "ext4"), ("/srv/data", "nfs4"), ("/srv/local/data", "xfs"),
    ("/mnt/two words/x", "fuse.sshfs"), ("/host", "9p"), ("/over/x", "cifs"),
    ("/srvx", "ext4"), ("/usb/d", "fuseblk"),
])
def test_the_innermost_last_mount_counts(path: str, kind: str) -> None:
    assert filesystem_of(path=Path(path), mounts=MOUNTS) == kind


@pytest.mark.parametrize("path", ["/srv/data", "/mnt/two words/x", "/host", "/over/x"])
def test_network_file_systems_are_refused(path: str) -> None:
    with pytest.raises(Refused, match=r"network or shared file system .* choose a --data"):
        check_filesystem(data_dir=Path(path), mounts=MOUNTS)


@pytest.mark.parametrize("path", ["/var/lib", "/srv/local/data", "/usb/d"])
def test_local_ones_are_taken(path: str) -> None:
    assert check_filesystem(data_dir=Path(path), mounts=MOUNTS) in {"ext4", "xfs", "fuseblk"}


def test_an_unlisted_mount_has_no_type() -> None:
    assert filesystem_of(path=Path("/x"), mounts="") == ""


def test_an_open_store_keeps_its_promises(tmp_path: Path) -> None:
    store = open_store(data_dir=tmp_path / "new" / "folder", now_ms=NOW)
    try:
        read = store.writer.run(lambda c: (
            c.execute("PRAGMA journal_mode").fetchone()[0],
            c.execute("PRAGMA synchronous").fetchone()[0],
            c.execute("PRAGMA wal_autocheckpoint").fetchone()[0],
        )).result()
        assert read == ("wal", 2, 0)
        assert store.sync_ms > 0
        assert store.filesystem
        with pytest.raises(sqlite3.OperationalError, match=r"readonly|read-only|attempt to write"):
            store.reader.query("DELETE FROM lot")
    finally:
        store.close()


def test_a_network_mount_stops_the_start(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="nfs"):
        open_store(data_dir=tmp_path, now_ms=NOW, mounts="1 1 0:1 / / rw - nfs box:/ rw")
    assert not (tmp_path / DATABASE).exists()


class Weak(sqlite3.Connection):
    """A database that takes the setting and does something else."""

    answers: dict[str, Any] = {"PRAGMA synchronous": 1}  # noqa: RUF012

    def execute(self, sql: str, *args: Any) -> sqlite3.Cursor:
        if sql in self.answers:
            return super().execute("SELECT ? WHERE ? IS NOT NULL", (self.answers[sql],) * 2)
        return super().execute(sql, *args)


class NoWal(Weak):
    answers = {"PRAGMA journal_mode": "delete"}  # noqa: RUF012


class Mute(Weak):
    answers = {"PRAGMA journal_mode": None}  # noqa: RUF012


@pytest.mark.parametrize(("connect", "line"), [
    (Weak, "synchronous of .* is 1, not FULL; .* local disk"),
    (NoWal, "journal_mode of .* is delete, not wal; .* local disk"),
    (Mute, "journal_mode of .* is nothing, not wal"),
])
def test_a_weaker_setting_is_refused_and_the_folder_let_go(
    tmp_path: Path, connect: type[sqlite3.Connection], line: str
) -> None:
    with pytest.raises(Refused, match=line):
        open_store(data_dir=tmp_path, now_ms=NOW, connect=connect)
    open_store(data_dir=tmp_path, now_ms=NOW).close()


def test_something_else_than_a_database_is_refused(tmp_path: Path) -> None:
    (tmp_path / DATABASE).write_bytes(b"grower,block\n" * 1000)
    with pytest.raises(Refused, match=r"cannot be opened .* restore a backup"):
        open_store(data_dir=tmp_path, now_ms=NOW)
    with pytest.raises(Refused, match="not a database"):
        open_for_writing(path=tmp_path / DATABASE)


def test_a_newer_schema_is_refused_and_the_folder_let_go(tmp_path: Path) -> None:
    store = open_store(data_dir=tmp_path, now_ms=NOW)
    store.writer.run(lambda c: c.execute("INSERT INTO migration VALUES (999, 'x', 1)")).result()
    store.close()
    for _ in range(2):
        with pytest.raises(Refused, match="999"):
            open_store(data_dir=tmp_path, now_ms=NOW)


def test_a_second_process_is_refused(tmp_path: Path) -> None:
    store = open_store(data_dir=tmp_path, now_ms=NOW)
    program = (
        "import sys, pathlib\n"
        "from service.store.errors import Refused\n"
        "from service.store.open import open_store\n"
        "try:\n"
        f"    open_store(data_dir=pathlib.Path({str(tmp_path)!r}), now_ms=1)\n"
        "except Refused as e:\n"
        "    sys.exit(str(e))\n"
    )
    other = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False,
        cwd=Path(__file__).parents[2],
    )
    store.close()
    assert other.returncode == 1
    assert other.stderr.strip() == (
        f"data folder {tmp_path} is in use by process {os.getpid()}; "
        "stop it or choose another --data"
    )
    take_lock(data_dir=tmp_path).close()


def test_a_folder_that_cannot_be_made_or_written_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("x")
    with pytest.raises(Refused, match="cannot be made"):
        open_store(data_dir=file, now_ms=NOW)
    with pytest.raises(Refused, match="not writable"):
        take_lock(data_dir=tmp_path / "missing")
    with pytest.raises(Refused, match="does not sync"):
        measure_sync(data_dir=tmp_path / "missing")
