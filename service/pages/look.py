"""How numbers are written on a page: language, units, grouping, always with their unit."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction
from typing import Any, Final

from grading.quantities import MM_PER_INCH, N_PER_LBF
from service.pages.words import Words

OFFICIAL_LANG: Final = "en"
"""Of what standards say; official texts are not translated."""
NARROW: Final = "\u202f"
"""Narrow no-break space: groups digits and holds a number and its unit together."""
_EIGHTH: Final = MM_PER_INCH / 8
_QUANTUM: Final = Fraction(1, 100)


def eighths(*, mm: float | Fraction) -> tuple[str, bool]:
    """(inches at the nearest eighth such as "2 1/2", whether the length is that mark).

    A length is a mark when no other multiple of 0.01 mm, the quantum of a diameter, is nearer
    to it; 2 5/8 in is 66.675 mm and both 66.67 and 66.68 mm count as the mark.
    """
    exact = Fraction(str(mm)) if isinstance(mm, float) else Fraction(mm)
    steps = round(exact / _EIGHTH)
    whole, part = divmod(steps, 8)
    reduced = Fraction(part, 8)
    text = f"{reduced.numerator}/{reduced.denominator}" if part else ""
    words = f"{whole} {text}".strip() if whole or not part else text
    return words, abs(steps * _EIGHTH - exact) <= _QUANTUM / 2


@dataclass(frozen=True, slots=True)
class Scale:
    """How a measure is shown: a value in its SI unit times `factor`, in `unit`."""

    factor: float
    unit: str
    decimals: int


_SCALES: Final = {
    "diameter": Scale(1, "mm", 1), "mass": Scale(1, "g", 0), "hue": Scale(1, "°", 1),
    "blush": Scale(100, "%", 0), "sugar": Scale(1, "°Bx", 1), "firmness": Scale(1, "N", 1),
}
_OUR_CLASSES: Final = frozenset({
    "undecided", "cull", "culls", "by hand", "not measured", "below scale", "above scale"})
_TRADE: Final = {"firmness": Scale(float(1 / N_PER_LBF), "lbf", 1)}


@dataclass(frozen=True, slots=True)
class Look:
    """One reader's language and units ("mm", or "in" for inches and pounds-force)."""

    words: Words
    units: str = "mm"

    def _mark(self, text: str) -> str:
        return text.replace(".", ",") if self.words.lang == "es" else text

    def number(self, value: float, decimals: int = 0) -> str:
        return self._mark(f"{value:,.{decimals}f}".replace(",", NARROW))

    def trimmed(self, value: float, decimals: int) -> str:
        """At most so many digits after the point, without closing zeros."""
        return self.number(value, decimals).rstrip("0").rstrip(".,")

    def signed(self, value: float, decimals: int) -> str:
        """A difference, with its sign unless it is none."""
        shown = round(value, decimals)
        sign = "+" if shown > 0 else "−" if shown < 0 else ""
        return sign + self.number(abs(shown), decimals)

    def count(self, value: int) -> str:
        return self.number(value)

    def percent(self, share: float | None, decimals: int = 1) -> str:
        """A share as a percentage; a dash where there is none."""
        return "–" if share is None else f"{self.number(share * 100, decimals)}{NARROW}%"

    def interval(self, entry: dict[str, Any]) -> str:
        """The ends of an interval as percentages."""
        return (f"{self.number(entry['low'] * 100, 1)}–"
                f"{self.number(entry['high'] * 100, 1)}{NARROW}%")

    def scale(self, measure: str) -> Scale:
        if self.units == "in" and measure in _TRADE:
            return _TRADE[measure]
        return _SCALES[measure]

    def diameter(self, mm: float | Fraction) -> str:
        """A diameter with its unit; in inches, millimetres follow where no eighth is exact."""
        millimetres = f"{self.number(float(mm), 1)}{NARROW}mm"
        if self.units != "in":
            return millimetres
        text, exact = eighths(mm=mm)
        return f"{text}{NARROW}in" + ("" if exact else f" ({millimetres})")

    def measure(self, name: str, value: float) -> str:
        """A value in its SI unit as the reader wants it, with the unit."""
        if name == "diameter":
            return self.diameter(value)
        scale = self.scale(name)
        return f"{self.number(value * scale.factor, scale.decimals)}{NARROW}{scale.unit}"

    def code(self, code: str, title: str) -> str:
        """The title of a class; our own classes are translated, the standard's are its own."""
        if title in _OUR_CLASSES:
            return self.words(f"class.{title.replace(' ', '_')}")
        return title if title != code else title.replace("_", " ")

    def title_lang(self, code: str, title: str) -> str:
        """The language that the title of a class is shown in; those of a standard stay as they
        are."""
        own = title in _OUR_CLASSES or title == code
        return self.words.lang if own else OFFICIAL_LANG

    def point(self, person: str, text: str) -> dict[str, str]:
        """What only a person can judge, in our words where we have them, and their language."""
        words = self.words.of(f"point.{person}", "")
        return {"text": words or text, "lang": self.words.lang if words else OFFICIAL_LANG}

    def reason(self, word: str, title: str) -> str:
        return self.words.of(f"reason.{word}", title)

    def purpose(self, word: str) -> str:
        return self.words.of(f"purpose.{word}", word)


def moment(ms: int) -> str:
    """RFC 3339 in UTC to the second, for `datetime` attributes."""
    return datetime.fromtimestamp(ms / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def moment_words(ms: int) -> str:
    return datetime.fromtimestamp(ms / 1000, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
