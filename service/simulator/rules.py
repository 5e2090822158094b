"""A changed cut: the pack standard that a lot is graded under after somebody moved a size limit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from fractions import Fraction
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

from grading.kernel import Compiled, compile_standard
from grading.numbers import number_text
from grading.standard import PackStandard, load_standard
from service.library import find_profile, find_standard
from service.simulator.events import Event


@lru_cache(maxsize=64)
def _shipped_text(name: str) -> str:
    """The text of a shipped standard, by "id" or "id@edition"."""
    wanted = find_standard(name)
    folder = Path(str(files("grading"))) / "standards"
    return next(text for text in (p.read_text("utf-8") for p in sorted(folder.glob("*.toml")))
                if load_standard(text=text) == wanted)


def text_under(*, standard: str, changes: Sequence[Event]) -> str:
    """A shipped standard as TOML with its diameter cuts moved; an edition of its own.

    Each change moves the bound at `cut_mm` by `size` mm. Raises ValueError where there is no such
    bound, StandardError where the standard is unknown.
    """
    text = _shipped_text(standard)
    for change in changes:
        old, new = Fraction(str(change.cut_mm)), Fraction(str(change.cut_mm))
        new += Fraction(str(change.size))
        start = text.index('basis = "diameter"')
        end = text.index("]\n", text.index("bands = [", start))
        bounds = re.sub(rf'(low|high) = "{re.escape(number_text(old))}"',
                        rf'\g<1> = "{number_text(new)}"', text[start:end])
        if bounds == text[start:end]:
            raise ValueError(f"{standard} has no size cut at {change.cut_mm} mm")
        text = text[:start] + bounds + text[end:]
        text = re.sub(r'^edition = "([^"]*)"', rf'edition = "\1-cut-{number_text(new)}"', text,
                      count=1, flags=re.MULTILINE)
    return text


def moves_under(*, changes: Sequence[Event]) -> list[dict[str, str]]:
    """What a running service is asked for instead: every diameter cut that the changes move, once,
    from where the lot's own standard has it."""
    now: dict[Fraction, Fraction] = {}
    for change in changes:
        at = Fraction(str(change.cut_mm))
        first = next((own for own, moved in now.items() if moved == at), at)
        now[first] = at + Fraction(str(change.size))
    return [{"measure": "diameter", "at": number_text(at), "to": number_text(to), "unit": "mm"}
            for at, to in now.items()]


@lru_cache(maxsize=64)
def standard_under(*, standard: str, changes: tuple[Event, ...] = ()) -> PackStandard:
    """The pack standard in force: the shipped one, or with its cuts moved by changes."""
    return load_standard(text=text_under(standard=standard, changes=changes))


@lru_cache(maxsize=64)
def compiled_under(
    *, standard: str, cultivar: str, changes: tuple[Event, ...] = ()
) -> Compiled:
    """`standard_under`, compiled for a cultivar, sizes told by diameter."""
    return compile_standard(standard=standard_under(standard=standard, changes=changes),
                            profile=find_profile(cultivar), basis="diameter")
