"""A fruit, a time, a whole number: the small shapes that answers and bodies share."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any

from pydantic import BeforeValidator, Strict

from grading.kernel import Compiled
from grading.quantities import MEASURES, PRIMARY_FIELD
from grading.reasons import Reason, reasons_of
from grading.record import FruitBatch
from grading.verdicts import Verdicts


def _whole(value: Any) -> Any:
    return int(value) if isinstance(value, float) and value.is_integer() else value


Whole = Annotated[int, Strict(), BeforeValidator(_whole)]
"""A number without a fractional part, which is what JSON Schema's "integer" means: 27.0 is one,
"27" and true are not."""


def utc(ms: int | None) -> str | None:
    """RFC 3339 in UTC."""
    if ms is None:
        return None
    return datetime.fromtimestamp(ms / 1000, UTC).isoformat(timespec="milliseconds").replace(
        "+00:00", "Z")


def fruit_json(*, batch: FruitBatch, verdicts: Verdicts, row: int, compiled: Compiled
               ) -> dict[str, Any]:
    """One fruit with its measures in SI units and its classes by name."""
    measured = {}
    for name, column in batch.measures.items():
        if column.present[row]:
            measure = MEASURES[name]
            measured[PRIMARY_FIELD[name]] = round(
                measure.value(quanta=int(column.values[row])), measure.decimals())
    sent = {name: float(c.values[row]) for name, c in batch.originals.items() if c.present[row]}
    decisive = Reason(int(verdicts.decisive[row]))
    return {
        "source": batch.source, "run": batch.run, "seq": int(batch.seq[row]),
        "lane": int(batch.lane[row]) or None,
        "time": utc(int(batch.time_ms.values[row])) if batch.time_ms.present[row] else None,
        **measured,
        **({"as_sent": sent} if sent else {}),
        "size": compiled.size_names[verdicts.size[row]],
        "maturity": compiled.maturity_names[verdicts.maturity[row]],
        "grade": compiled.grade_names[verdicts.grade[row]],
        "pack": compiled.pack_names[verdicts.pack[row]],
        "decisive": None if decisive is Reason.NONE else decisive.word,
        "reasons": [r.word for r in reasons_of(bits=int(verdicts.reasons[row]))],
    }
