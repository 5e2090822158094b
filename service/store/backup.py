"""Backup while the service runs, and restore into an empty folder.

A copy of the database file made by other means is not a backup: part of the data is in the log
beside it.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Final

import msgspec

from service.store.errors import Refused
from service.store.open import DATABASE, sync_folder
from service.store.reader import open_read_only
from service.store.verify import Verified, count, verify

PAGES_A_STEP: Final = 2048

Progress = Callable[[int, int], object]


class Manifest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a backup file holds; written beside it as <name>.manifest.json."""

    file: str
    sha256: str
    bytes: int
    taken_ms: int
    schema: int
    commit: int
    fruit: int
    chunks: int
    lots: int
    pulls: int


def manifest_path(*, target: Path) -> Path:
    return target.with_name(target.name + ".manifest.json")


def backup(
    *, data_dir: Path, target: Path, now_ms: int, progress: Progress | None = None
) -> Manifest:
    """Copies one committed state to the file `target`, which must not exist yet.

    progress: pages done, pages in all. Writers go on meanwhile.
    """
    source = data_dir / DATABASE
    if not source.is_file():
        raise Refused(f"data folder {data_dir} holds no {DATABASE}; choose another --data")
    if target.exists():
        raise Refused(f"backup file {target} exists already; choose another name")
    partial = target.with_name(target.name + ".partial")
    partial.unlink(missing_ok=True)
    try:
        counts = _copy(source, partial, progress)
        manifest = Manifest(
            file=target.name,
            sha256=file_sha256(path=partial),
            bytes=partial.stat().st_size,
            taken_ms=now_ms,
            **counts,
        )
        _sync_file(partial)
        partial.rename(target)
    finally:
        partial.unlink(missing_ok=True)
    text = msgspec.json.format(msgspec.json.encode(manifest), indent=2)
    manifest_path(target=target).write_bytes(text + b"\n")
    _sync_file(manifest_path(target=target))
    sync_folder(target.parent)
    return manifest


def _copy(source: Path, partial: Path, progress: Progress | None) -> dict[str, int]:
    def step(_status: int, remaining: int, total: int) -> None:
        if progress is not None:
            progress(total - remaining, total)

    with closing(open_read_only(path=source)) as live:
        # An open read keeps the source at one state; without it, every commit of the writer
        # would start the copy again.
        live.execute("BEGIN")
        live.execute("SELECT commit_no FROM position").fetchone()
        with closing(sqlite3.connect(partial, isolation_level=None)) as copy:
            live.backup(copy, pages=PAGES_A_STEP, progress=step)
            copy.execute("PRAGMA journal_mode = DELETE").fetchall()
            return count(conn=copy)


def read_manifest(*, target: Path) -> Manifest:
    """The manifest of a backup file; Refused if it is missing or not one."""
    path = manifest_path(target=target)
    try:
        return msgspec.json.decode(path.read_bytes(), type=Manifest)
    except (OSError, msgspec.MsgspecError) as e:
        raise Refused(
            f"manifest {path} cannot be read ({e}); keep it beside the backup file"
        ) from e


def restore(
    *, target: Path, data_dir: Path, progress: Progress | None = None
) -> Verified:
    """Puts the backup file `target` into `data_dir`, which must be empty or missing, and checks it.

    Refused if the file is not the one its manifest describes, or does not verify; the folder is
    then left as it was. progress: chunks checked, chunks in all.
    """
    if data_dir.exists() and (not data_dir.is_dir() or any(data_dir.iterdir())):
        raise Refused(f"data folder {data_dir} is not empty; restore into an empty one")
    manifest = read_manifest(target=target)
    if not target.is_file():
        raise Refused(f"backup file {target} is missing; give the path of a backup file")
    data_dir.mkdir(parents=True, exist_ok=True)
    database = data_dir / DATABASE
    partial = data_dir / f"{DATABASE}.partial"
    try:
        shutil.copyfile(target, partial)
        if file_sha256(path=partial) != manifest.sha256:
            raise Refused(
                f"backup file {target} is not the one its manifest describes (SHA-256 differs); "
                "use another backup"
            )
        _sync_file(partial)
        partial.rename(database)
        verified = verify(data_dir=data_dir, progress=progress)
        if not verified.ok:
            raise Refused(f"backup file {target} is damaged: {verified.bad}; use another backup")
    except BaseException:
        for left in data_dir.iterdir():
            left.unlink()
        raise
    sync_folder(data_dir)
    return verified


def file_sha256(*, path: Path) -> str:
    """SHA-256 of a file, in hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _sync_file(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())
