"""What a lot, a line and its fruit are in the plainest terms: the answer book of a service."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

HOLDING = "line-1-holding"
FIRST = "L-0417"
STANDARDS = {FIRST: "house-long-distance", "L-0418": "us-peaches", "L-0419": "house-tree-ripe"}
REFUSED = -1
Key = tuple[str, str, int]


def record(seq: int, variant: int) -> dict[str, Any]:
    """A fruit whose content follows from seq and variant; one that is refused for REFUSED."""
    if variant == REFUSED:
        return {"seq": seq, "diameter_mm": 3.0}
    return {"seq": seq, "lane": 1 + seq % 8, "diameter_mm": 58.0 + seq + variant / 4,
            "ground_hue_deg": 92.0 + seq, "ground_chroma": 40.0, "ground_fraction": 0.4,
            "firmness_n": 20.0 + 5 * seq, "tip_mm": 8.0}


@dataclass
class Fruit:
    """As first stored: its variant, lot, and the grade that was told."""

    variant: int
    lot: str
    grade: str


@dataclass
class Model:
    fruit: dict[Key, Fruit] = field(default_factory=dict)
    closed: dict[str, bool] = field(default_factory=lambda: {HOLDING: False})
    conflicts: dict[str, int] = field(default_factory=dict)
    waiting: list[tuple[int, Key, str]] = field(default_factory=list)
    pulls: dict[str, tuple[str, int]] = field(default_factory=dict)
    seen: dict[str, int] = field(default_factory=dict)  # highest number of each run of the belt
    breaks: list[tuple[dict[str, int], str | None]] = field(default_factory=list)

    @property
    def packing(self) -> str | None:
        return self.breaks[-1][1] if self.breaks else None

    def lot_of(self, run: str, seq: int) -> str:
        """Fruit up to the highest seen before a break belong before it."""
        lot = HOLDING
        for marks, named in self.breaks:
            if seq > marks.get(run, -1):
                lot = HOLDING if named is None else named
        return lot

    def send(self, key: Key, variant: int, lot: str) -> str:
        """What becomes of a usable record; a grade is filled in by whoever heard it."""
        known = self.fruit.get(key)
        if known is not None:
            if known.variant == variant:
                return "duplicate"
            self.conflicts[lot] = self.conflicts.get(lot, 0) + 1
            return "conflict"
        if self.closed[lot]:
            return "lot_closed"
        self.fruit[key] = Fruit(variant, lot, "")
        return "stored"
