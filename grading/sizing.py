"""The size codes that one size may carry where published ranges overlap."""

from __future__ import annotations

from fractions import Fraction

from grading.standard import SizeTable


def admissible_codes(*, table: SizeTable, value_si: Fraction) -> tuple[str, ...]:
    """Every code whose range holds the value, in the table's order; several where ranges overlap.

    value_si: exact, in the SI unit of the table's basis (mm, g). A table that is closed at "both"
    ends counts a value on either end of a range as inside.
    """
    found = []
    for band in table.bands:
        low, high = table.bounds_si(band)
        above = low is None or value_si > low or (value_si == low and table.closed != "high")
        below = high is None or value_si < high or (value_si == high and table.closed != "low")
        if above and below:
            found.append(band.code)
    return tuple(found)
