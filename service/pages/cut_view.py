"""Cuts moved for a time, as pages show them: the banner, the list, and what one did."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import Any

from grading.numbers import number_text
from grading.quantities import MEASURES
from grading.recut import CutPoint
from service.context import Context
from service.cut_effect import Effect
from service.cuts import as_of, moves_of
from service.lines import Line
from service.pages.look import NARROW, Look, eighths
from service.store.cuts import CutRow


def value_text(*, measure: str, si: Fraction, look: Look, unit: bool = True) -> str:
    """A cut-point as the reader wants it, to the quantum that fruit are measured to."""
    if measure == "diameter" and look.units == "in" and eighths(mm=si)[1]:
        return f"{eighths(mm=si)[0]}{NARROW}in"
    kind = MEASURES[measure]
    text = look.trimmed(float(si), kind.decimals())
    return f"{text}{NARROW}{kind.unit}".strip() if unit else text


def cut_view(ctx: Context, row: CutRow, look: Look) -> dict[str, Any]:
    """One change as it stands. shown: "in_force", or how it ended."""
    return _shown(as_of(row, now_ms=ctx.clock.now_ms()), look)


def _shown(now: CutRow, look: Look) -> dict[str, Any]:
    return {
        "id": now.id, "line": now.line, "lot": now.lot,
        "shown": "in_force" if now.ended_ms is None else now.how,
        "moves": ", ".join(
            f"{look.words.of(f'measure.{m.measure}', m.measure)} "
            f"{value_text(measure=m.measure, si=m.at_si, look=look)} → "
            f"{value_text(measure=m.measure, si=m.to_si, look=look)}" for m in moves_of(now)),
        "person": now.person, "reason": now.reason, "from_ms": now.from_ms,
        "until_ms": now.until_ms, "ended_ms": now.ended_ms, "ended_by": now.ended_by,
    }


def cut_views(ctx: Context, rows: Iterable[CutRow], look: Look) -> list[dict[str, Any]]:
    return [cut_view(ctx, row, look) for row in rows]


def line_banner(ctx: Context, line: Line, look: Look) -> dict[str, Any] | None:
    """What a line's screens say of the lot that it packs: the change in force, or that the latest
    one has ended by itself and its boxes are to be looked at."""
    row = ctx.cuts.latest(line)
    return None if row is None else banner_of(as_of(row, now_ms=ctx.clock.now_ms()), look)


def banner_of(stood: CutRow | None, look: Look) -> dict[str, Any] | None:
    """What screens say of a change as it stood at some moment, if they do."""
    if stood is None or (stood.ended_ms is not None and stood.how != "expired"):
        return None
    return _shown(stood, look)


def point_options(points: Iterable[CutPoint], look: Look) -> list[dict[str, str]]:
    """Cut-points to choose from, sizes first."""
    found = []
    for p in points:
        classes = " | ".join(look.code(c, c) for c in (p.below, p.above) if c)
        name = look.words.of(f"measure.{p.measure}", p.measure)
        found.append({
            "value": f"{p.measure} {number_text(p.at).replace(' ', '_')} {p.unit}",
            "text": f"{name}: {number_text(p.at)}{NARROW}{p.unit}"
                    + (f" ({classes})" if classes else "")})
    return sorted(found, key=lambda o: not o["value"].startswith(("diameter", "circ", "mass")))


def effect_view(ctx: Context, row: CutRow, found: Effect, look: Look) -> dict[str, Any]:
    """What one did, in the reader's words and units."""
    own = ctx.lots.get(row.lot).binding.compiled
    titles = {p.id: look.code(p.id, p.title) for p in own.standard.pack}
    packs = [titles.get(n, look.code(n, n)) for n in own.pack_names]
    counts = found.counts
    return {
        "fruit": counts.n, "changed": counts.changed,
        "share": counts.changed / counts.n if counts.n else None, "over": found.over,
        "parts": [(name, getattr(counts, name)) for name in ("size", "maturity", "grade", "pack")],
        "moves": sorted(((packs[i], packs[j], int(n)) for i, line in enumerate(counts.moves)
                         for j, n in enumerate(line) if n and i != j), key=lambda m: -m[2]),
        "marks": [{
            "range": _range(one.mark.measure, one.mark.low, one.mark.high, look),
            "side": one.mark.side, "wrong": one.wrong, "n": one.n,
            "share": one.wrong / one.n if one.n else None, "band": one.band,
            "percent": None if one.tolerance is None else float(one.tolerance.percent) / 100,
        } for one in found.marks],
        "where": [w for w in found.where.values() if w.changed],
    }


def _range(measure: str, low: Fraction | None, high: Fraction | None, look: Look) -> str:
    ends = [None if v is None else value_text(measure=measure, si=v, look=look)
            for v in (low, high)]
    if ends[0] is None:
        return look.words("cut.up_to", high=ends[1])
    if ends[1] is None:
        return look.words("cut.and_up", low=ends[0])
    if look.units == "in":
        return f"{ends[0]}–{ends[1]}"
    assert low is not None
    return f"{value_text(measure=measure, si=low, look=look, unit=False)}–{ends[1]}"
