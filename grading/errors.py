"""Errors of the grading package.

    GradingError
    └── StandardError     a pack standard or cultivar profile cannot be used (all findings at once)

A record that cannot be used is no exception: it comes back with its `Finding`s.
"""

from __future__ import annotations

from dataclasses import dataclass


class GradingError(Exception):
    """Root of every error this package raises on purpose."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing wrong with the input, said so that its sender can mend it.

    pointer: JSON pointer (RFC 6901) inside the record or document.
    code: stable machine word; message: what is wrong, with the value; remedy: what to do.
    """

    pointer: str
    code: str
    message: str
    remedy: str

    def text(self) -> str:
        return f"{self.pointer or '/'}: {self.message} {self.remedy}".strip()


class StandardError(GradingError):
    """A pack standard that cannot be used; `findings` holds every fault found."""

    def __init__(self, *, name: str, findings: tuple[Finding, ...]) -> None:
        super().__init__(f"{name}: " + "; ".join(f.text() for f in findings))
        self.name = name
        self.findings = findings
