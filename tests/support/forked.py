"""Functions run in forked children of one warm process, so that a case costs no start of Python.

The child ends by `os._exit` with what the function returned, or by what killed it.
"""

from __future__ import annotations

import importlib
import json
import os
import select
import signal
import subprocess
import sys
import traceback
from collections.abc import Mapping
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any

ROOT = Path(__file__).parents[2]
ANSWER_S = 60.0


class Forked(AbstractContextManager["Forked"]):
    """A warm process; `start` runs "module:function" in a child, one at a time.

    Lines that the child prints are its own JSON; the last line of each case is {"ended": code},
    the code negative for a signal. stderr: a file for what each child says there.
    """

    def __init__(self, *, env: Mapping[str, str], stderr: Path) -> None:
        self._stderr = stderr
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.support.forked", str(stderr)], stdin=subprocess.PIPE,
            stdout=subprocess.PIPE, cwd=ROOT, env={**os.environ, **env}, bufsize=0)
        self._heard = b""
        self._child = -1

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._child >= 0:
            signal.pidfd_send_signal(self._child, signal.SIGKILL)
            os.close(self._child)
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait()

    def start(self, call: str, *arguments: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps([call, *arguments]).encode() + b"\n")
        self._child = os.pidfd_open(self.line()["pid"])
        self._process.stdin.write(b"\n")

    def line(self) -> dict[str, Any]:
        """The next line of the child."""
        assert self._process.stdout is not None
        while b"\n" not in self._heard:
            ready, _, _ = select.select([self._process.stdout], [], [], ANSWER_S)
            assert ready, f"the child said nothing for {ANSWER_S:.0f} s"
            more = os.read(self._process.stdout.fileno(), 65_536)
            assert more, "the warm process ended"
            self._heard += more
        line, _, self._heard = self._heard.partition(b"\n")
        found: dict[str, Any] = json.loads(line)
        if "ended" in found:
            os.close(self._child)
            self._child = -1
        return found

    def rest(self) -> tuple[int, list[dict[str, Any]]]:
        """The child's code, and the lines it printed before it ended."""
        lines = []
        while "ended" not in (line := self.line()):
            lines.append(line)
        return line["ended"], lines

    def stop(self) -> tuple[int, list[dict[str, Any]]]:
        """SIGTERM, if the child has not ended by itself; then as `rest`."""
        with suppress(ProcessLookupError):
            signal.pidfd_send_signal(self._child, signal.SIGTERM)
        return self.rest()

    def run(self, call: str, *arguments: str) -> tuple[int, list[dict[str, Any]]]:
        self.start(call, *arguments)
        return self.rest()

    def said(self) -> list[str]:
        """What the last child said on standard error."""
        return self._stderr.read_text(encoding="utf-8").splitlines()


def tell(**value: Any) -> None:
    """A line from the child, in one write and past all buffers."""
    os.write(1, json.dumps(value).encode() + b"\n")


def _warm() -> None:
    """Loads what a child would load: once here instead of in every one."""
    from service.library import shipped_standards
    from service.store.chunks import decode, encode
    from tests.support.store_batches import packing_batch, packing_verdicts

    importlib.import_module("service.server")
    shipped_standards()
    blob = encode(batch=packing_batch(n=3), verdicts=packing_verdicts(n=3))
    decode(blob=blob, source="line-1", run="r1")


def _child(call: str, arguments: list[str], stderr: str) -> int:
    os.dup2(os.open(stderr, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), 2)
    module, _, name = call.partition(":")
    try:
        return int(getattr(importlib.import_module(module), name)(*arguments) or 0)
    except SystemExit as end:
        return int(end.code or 0)
    except BaseException:
        traceback.print_exc()
        return 1


def _main(stderr: str) -> None:
    _warm()
    while line := sys.stdin.readline():
        call, *arguments = json.loads(line)
        gate, opener = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(opener)
            os.read(gate, 1)  # until the child's number has been told
            code = _child(call, arguments, stderr)
            sys.stderr.flush()
            os._exit(code)
        tell(pid=pid)
        sys.stdin.readline()  # until the other side holds the child
        os.close(opener)
        os.close(gate)
        tell(ended=os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]))


if __name__ == "__main__":
    _main(sys.argv[1])
