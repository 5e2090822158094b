"""Quantising binary floats gives what the decimal text says, half to even."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from grading.quantities import MEASURES, UNIT_FIELDS, quantise

FIELDS = sorted(UNIT_FIELDS)


@given(st.sampled_from(FIELDS), st.integers(0, 4), st.data())
def test_decimal_text_decides(field: str, places: int, data: st.DataObject) -> None:
    """Against decimal arithmetic (Python's decimal module, IBM General Decimal Arithmetic)."""
    unit = UNIT_FIELDS[field]
    high = int(MEASURES[unit.measure].high_q / unit.per_quantum() * 10**places)
    text = str(Decimal(data.draw(st.integers(0, high))).scaleb(-places))
    per_quantum = unit.per_quantum()
    exact = Fraction(text) * per_quantum
    got = int(quantise(values=np.array([float(text)]), per_quantum=per_quantum)[0])
    assert got == round(exact)
    if per_quantum.denominator == 1:
        scaled = Decimal(text) * per_quantum.numerator
        assert got == int(scaled.quantize(Decimal(1), rounding=ROUND_HALF_EVEN))


@given(st.integers(2_000, 15_000))
@example(101)
def test_ties_go_to_even(quanta: int) -> None:
    """1.015 x 100 is 101.49999999999999 in binary; the text says 101.5, so 102."""
    text = f"{quanta // 100}.{quanta % 100:02d}5"
    got = int(quantise(values=np.array([float(text)]), per_quantum=Fraction(100))[0])
    assert got == int((Decimal(text) * 100).quantize(Decimal(1), rounding=ROUND_HALF_EVEN))
    assert got % 2 == 0
