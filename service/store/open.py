"""Opening the store: every promise is checked first, and one that cannot be kept is refused."""

from __future__ import annotations

import fcntl
import os
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final

from service.store.errors import Refused
from service.store.reader import BUSY_S, Reader
from service.store.schema import migrate
from service.store.writer import QUEUE_FRUIT, Writer, end_process

DATABASE: Final = "drupe.sqlite3"
LOCK: Final = "drupe.lock"
PROBES: Final = 20
PAGES_KIB: Final = 2_048
"""Pages of the database that the writer keeps. What it writes is new; the few pages on the way to
the end of a table and its indexes are all that it reads again, also after a year."""

NETWORK_TYPES: Final = frozenset({
    "nfs", "nfs4", "cifs", "smb", "smb2", "smb3", "smbfs", "9p", "afs", "ceph", "coda", "davfs",
    "glusterfs", "lustre", "ncpfs", "ocfs2", "gfs2", "beegfs", "orangefs", "vboxsf", "virtiofs",
})
"""Types on which locks or shared memory of SQLite's log do not hold (its own documentation says
that WAL does not work over a network file system)."""
LOCAL_FUSE: Final = frozenset({"fuse.fuse-overlayfs", "fuseblk"})


@dataclass(frozen=True, slots=True)
class Store:
    """An open store. filesystem: type of the data folder's; sync_ms: median time of one sync."""

    data_dir: Path
    writer: Writer
    reader: Reader
    filesystem: str
    sync_ms: float
    _conn: sqlite3.Connection
    _lock: IO[bytes]

    def close(self) -> None:
        """Finishes what waits, then lets go of the folder."""
        self.writer.stop()
        self.reader.close()
        self._conn.close()
        self._lock.close()


def open_store(
    *,
    data_dir: Path,
    now_ms: int,
    queue_fruit: int = QUEUE_FRUIT,
    fatal: Callable[[str], object] = end_process,
    mounts: str | None = None,
    connect: type[sqlite3.Connection] = sqlite3.Connection,
) -> Store:
    """The store in `data_dir`, made if there is none, with its writer running.

    now_ms: recorded with each migration. mounts: a mount table, as in /proc/self/mountinfo.
    Raises Refused, one line that names setting, value and remedy.
    """
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise Refused(
            f"data folder {data_dir} cannot be made ({e.strerror}); choose another --data"
        ) from e
    filesystem = check_filesystem(data_dir=data_dir, mounts=mounts)
    lock = take_lock(data_dir=data_dir)
    conn = None
    try:
        with usable(data_dir=data_dir):
            sync_ms = measure_sync(data_dir=data_dir)
            path = data_dir / DATABASE
            conn = open_for_writing(path=path, connect=connect)
            migrate(conn=conn, now_ms=now_ms)
            sync_folder(data_dir)
            writer = Writer(conn=conn, queue_fruit=queue_fruit, log_bytes=log_bytes(path=path),
                            fatal=fatal)
    except BaseException:
        if conn is not None:
            conn.close()
        lock.close()
        raise
    writer.start()
    return Store(data_dir, writer, Reader(path=path), filesystem, sync_ms, conn, lock)


@contextmanager
def usable(*, data_dir: Path) -> Iterator[None]:
    """A disk or database that fails while the service starts, as a refusal to start."""
    try:
        yield
    except (OSError, sqlite3.DatabaseError) as e:
        raise Refused(
            f"data folder {data_dir} cannot be used ({e}); check its disk, then start again or "
            "choose another --data"
        ) from e


def open_for_writing(
    *, path: Path, connect: type[sqlite3.Connection] = sqlite3.Connection
) -> sqlite3.Connection:
    """A connection that syncs every commit. Refused if the database will not promise that."""
    conn = sqlite3.connect(
        path, timeout=BUSY_S, isolation_level=None, check_same_thread=False, factory=connect
    )
    try:
        promise(conn=conn, path=path, setting="journal_mode", value="wal", wanted="wal")
        promise(conn=conn, path=path, setting="synchronous", value="FULL", wanted=2)
        conn.execute(f"PRAGMA cache_size = -{PAGES_KIB}")
        conn.execute("PRAGMA temp_store = MEMORY")
        conn.execute("PRAGMA journal_size_limit = 67108864")
    except sqlite3.DatabaseError as e:
        conn.close()
        raise Refused(
            f"database {path} cannot be opened ({e}); restore a backup, or choose another --data"
        ) from e
    except BaseException:
        conn.close()
        raise
    return conn


def promise(
    *, conn: sqlite3.Connection, path: Path, setting: str, value: str, wanted: Any
) -> None:
    """Sets a pragma and believes only what is read back."""
    conn.execute(f"PRAGMA {setting} = {value}").fetchall()
    row = conn.execute(f"PRAGMA {setting}").fetchone()
    if row is None or row[0] != wanted:
        has = "nothing" if row is None else row[0]
        raise Refused(
            f"{setting} of {path} is {has}, not {value}; acknowledged fruit could be lost: "
            "put --data on a local disk of this machine"
        )


def log_bytes(*, path: Path) -> int:
    """The size of the log beside a database: what may not have been moved into it yet."""
    log = path.with_name(f"{path.name}-wal")
    return log.stat().st_size if log.exists() else 0


def sync_folder(folder: Path) -> None:
    """Makes the names in a folder durable."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def take_lock(*, data_dir: Path) -> IO[bytes]:
    """The folder's lock, held until closed or until the process ends, however it ends."""
    try:
        lock = open(data_dir / LOCK, "a+b", buffering=0)  # noqa: SIM115  # held open
    except OSError as e:
        raise _not_writable(data_dir, e) from e
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as e:
        lock.seek(0)
        owner = lock.read().decode("ascii", "replace").strip() or "unknown"
        lock.close()
        raise Refused(
            f"data folder {data_dir} is in use by process {owner}; "
            "stop it or choose another --data"
        ) from e
    try:
        lock.truncate(0)
        lock.write(b"%d" % os.getpid())
    except OSError as e:
        lock.close()
        raise _not_writable(data_dir, e) from e
    return lock


def _not_writable(data_dir: Path, error: OSError) -> Refused:
    return Refused(
        f"data folder {data_dir} is not writable ({error.strerror}); "
        "let this user write there, free space, or choose another --data"
    )


def check_filesystem(*, data_dir: Path, mounts: str | None = None) -> str:
    """The type of file system under `data_dir`; Refused if it is on a network."""
    if mounts is None:
        mounts = Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="replace")
    kind = filesystem_of(path=data_dir.resolve(), mounts=mounts)
    remote_fuse = kind.startswith("fuse.") and kind not in LOCAL_FUSE
    if kind in NETWORK_TYPES or remote_fuse:
        raise Refused(
            f"data folder {data_dir} is on a network or shared file system ({kind}), where "
            "commits may be lost; choose a --data on a local disk of this machine"
        )
    return kind


def filesystem_of(*, path: Path, mounts: str) -> str:
    """The type of the innermost mount that holds `path` (proc(5), mountinfo); "" if none does."""
    best, depth = "", -1
    for line in mounts.splitlines():
        left, mark, right = line.partition(" - ")
        fields = left.split(" ")
        if not mark or len(fields) < 5:
            continue
        point = Path(_unescaped(fields[4]))
        # A later mount on the same point covers the earlier one.
        if path.is_relative_to(point) and len(point.parts) >= depth:
            best, depth = right.split(" ")[0], len(point.parts)
    return best


def _unescaped(text: str) -> str:
    for code, char in (("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")):
        text = text.replace(code, char)
    return text


def measure_sync(*, data_dir: Path, probes: int = PROBES) -> float:
    """The median time, in ms, that one small write and its sync take in a folder."""
    times: list[float] = []
    try:
        with tempfile.TemporaryFile(dir=data_dir, buffering=0) as file:
            for _ in range(probes):
                start = time.perf_counter()
                file.write(b"\0" * 4096)
                os.fsync(file.fileno())
                times.append((time.perf_counter() - start) * 1000)
    except OSError as e:
        raise Refused(
            f"data folder {data_dir} does not sync ({e.strerror}); free space there, or choose "
            "another --data"
        ) from e
    return statistics.median(times)
