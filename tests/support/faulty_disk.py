"""The test's side of `faulty_disk.c`: build it, steer it, read its journal."""

from __future__ import annotations

import mmap
import shutil
import struct
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

SOURCE: Final = Path(__file__).with_suffix(".c")
WORDS: Final = ("kind", "at", "forever", "error", "budget", "sync_delay_us", "clock_s", "count",
                "injected", "boot_s")
KINDS: Final = {"write": 1, "sync": 2, "open": 3}
DIE: Final = -1
UNLIMITED: Final = -1

OPEN: Final = "O"
WRITE: Final = "W"
TRUNCATE: Final = "T"
UNLINK: Final = "U"
SYNC_BEGINS: Final = "B"
SYNC_ENDS: Final = "E"
SEND: Final = "S"

_HEAD: Final = struct.Struct("=4q")


def compiler() -> str | None:
    """A C compiler, or None."""
    return shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")


def build(*, folder: Path) -> Path:
    """The library, compiled into `folder`."""
    made = folder / "faulty_disk.so"
    command = compiler()
    assert command is not None
    subprocess.run(
        [command, "-Wall", "-Wextra", "-Werror", "-O2", "-shared", "-fPIC", "-o", str(made),
         str(SOURCE)], check=True)
    return made


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that reached the disk or a socket.

    a: inode, or the socket of SEND. b: offset of WRITE, size of TRUNCATE, thread of a sync,
    1 for an OPEN that made the file. data: what was written or sent, or a path.
    """

    kind: str
    a: int
    b: int
    data: bytes

    @property
    def path(self) -> str:
        return self.data.decode()


class FaultyDisk:
    """What becomes of the files under `root`, for processes started with `env`."""

    def __init__(
        self, *, library: Path, root: Path, folder: Path, journal: bool = False,
        mounts: Path | None = None,
    ) -> None:
        self.root = root.resolve()
        self.journal = folder / "journal"
        control = folder / "control"
        control.write_bytes(bytes(8 * 16))
        with control.open("r+b") as file:
            self._words = mmap.mmap(file.fileno(), 0)
        self.env = {"LD_PRELOAD": str(library), "FAULTY_ROOT": str(self.root),
                    "FAULTY_CONTROL": str(control)}
        if journal:
            self.env["FAULTY_JOURNAL"] = str(self.journal)
        if mounts is not None:
            self.env["FAULTY_MOUNTS"] = str(mounts)
        self.set(budget=UNLIMITED)

    def set(self, **words: int) -> None:
        """Change what happens, at once. budget: bytes by which files may still grow.
        clock_s, boot_s: seconds to add to the wall clock and to the one that nobody sets."""
        for name, value in words.items():
            struct.pack_into("=q", self._words, 8 * WORDS.index(name), value)

    def get(self, name: str) -> int:
        return int(struct.unpack_from("=q", self._words, 8 * WORDS.index(name))[0])

    def fail(self, *, kind: str, at: int, error: int, forever: bool = False) -> None:
        """The at-th call of this kind from now on fails with `error` (an errno, or DIE)."""
        self.set(kind=0)
        self.set(at=at, forever=forever, error=error, count=0, injected=0)
        self.set(kind=KINDS[kind])

    def heal(self) -> None:
        self.set(kind=0, budget=UNLIMITED, sync_delay_us=0)

    def events(self) -> list[Event]:
        """The journal so far; an event cut short at its end is left out."""
        return list(_events(self.journal.read_bytes()))


def _events(raw: bytes) -> Iterator[Event]:
    at = 0
    while at + _HEAD.size <= len(raw):
        kind, a, b, length = _HEAD.unpack_from(raw, at)
        at += _HEAD.size
        if at + length > len(raw):
            return
        yield Event(chr(kind), a, b, raw[at:at + length])
        at += length
