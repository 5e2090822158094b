"""What grading gives each fruit, as columns of small codes.

The codes index the name lists of the compiled standard that made them (`kernel.Compiled`), so a
verdict is only readable together with the digest of its standard.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from grading.quantities import Integers


@dataclass(frozen=True, slots=True)
class Verdicts:
    """One row a fruit; every array has shape (n,).

    size, maturity, grade, pack: uint8 codes; 0 is "not measured" (size, maturity), "undecided"
    (grade) and "by hand" (pack). reasons: uint32 bit set of `reasons.Reason`. decisive: uint8,
    the `Reason` that settled the grade, 0 where the best grade was given.
    """

    size: Integers
    maturity: Integers
    grade: Integers
    pack: Integers
    reasons: Integers
    decisive: Integers

    def __len__(self) -> int:
        return len(self.size)

    def take(self, *, rows: Any) -> Verdicts:
        return Verdicts(
            self.size[rows], self.maturity[rows], self.grade[rows],
            self.pack[rows], self.reasons[rows], self.decisive[rows],
        )


def concat(*, parts: Sequence[Verdicts]) -> Verdicts:
    """Verdicts under one standard after one another."""
    return Verdicts(
        np.concatenate([p.size for p in parts]), np.concatenate([p.maturity for p in parts]),
        np.concatenate([p.grade for p in parts]), np.concatenate([p.pack for p in parts]),
        np.concatenate([p.reasons for p in parts]), np.concatenate([p.decisive for p in parts]),
    )
