"""`python -m benchmarks [NAME...]`: every figure of the speed report."""

from __future__ import annotations

import subprocess
import sys

from benchmarks.report import show

TITLES = {
    "kernel": "Grading kernel",
    "http": "Records over HTTP with durable commit, bodies of 1,000 JSON records",
    "stream": "Single fruit over WebSockets, 3,200 a second, commits on",
    "screens": "Live screens beside the fruit of a line",
    "statistics": "Statistics of a line beside taking its fruit",
    "year": "A store with a year behind it",
    "regrade": "Regrade of a large lot under another standard",
}


def main(names: list[str]) -> int:
    """Each part runs in a process of its own, so that none warms or pins another."""
    if len(names) == 1:
        module = __import__(f"benchmarks.{names[0]}", fromlist=["run"])
        show(TITLES[names[0]], module.run())
        return 0
    failed = 0
    for name in names or list(TITLES):
        failed |= subprocess.run([sys.executable, "-m", "benchmarks", name], check=False).returncode
    return failed


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
