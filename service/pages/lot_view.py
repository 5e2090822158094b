"""What the lot pages show, gathered from one look at a lot's counts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from grading.kernel import Compiled
from grading.quantities import MEASURES
from grading.rules import Judged, leaves
from grading.tally import SHOWN
from service.api.lots import lot_json
from service.context import Context
from service.lots import LotState
from service.pages.agreement import pairs_address
from service.pages.charts import histogram, near_cuts
from service.pages.cut_view import cut_views
from service.pages.look import NARROW, Look, eighths
from service.store.group import LINE
from service.store.pulls import Pull, list_pulls
from service.store.quarantine import count_quarantined
from service.summary import culls, histograms, packout

OPEN_CLASSES: Final = frozenset({"undecided", "not measured", "by hand"})
CULLS_AT_A_GLANCE: Final = 4
PULLS_SHOWN: Final = 500
GAPS_SHOWN: Final = 8
LOTS_SHOWN: Final = 200
CUTS_SHOWN: Final = 6
ESTIMATES: Final = frozenset({"sugar", "firmness"})
"""Line sensors infer these through a model of the house; the pages say so each time."""


def person_points(*, compiled: Compiled) -> list[Judged]:
    """Every point of the standard's grades that only a person can judge, each once."""
    found: dict[str, Judged] = {}
    for grade in compiled.standard.grade:
        for rule in grade.requires:
            for leaf in leaves(rule):
                if isinstance(leaf, Judged):
                    found.setdefault(leaf.person, leaf)
    return list(found.values())


def size_ranges(*, compiled: Compiled, look: Look) -> dict[str, str]:
    """Size code to its bounds with their unit, such as "63.5–69.9 mm" or "from 3 1/2 in"."""
    table = compiled.standard.table(compiled.basis)
    if table is None:
        return {}
    unit = MEASURES[table.basis].unit
    inches = table.basis == "diameter" and look.units == "in"

    def bound(value: Any) -> str:
        if value is None:
            return ""
        if inches and eighths(mm=value)[1]:
            return eighths(mm=value)[0]
        # To the quantum, half to even, as the grading compares it.
        return look.trimmed(float(round(value, 2)) / (25.4 if inches else 1), 2)

    shown = "in" if inches else unit
    found = {}
    for band in table.bands:
        low, high = (bound(v) for v in table.bounds_si(band))
        text = f"{low}–{high}" if low and high else low or high
        word = "" if low and high else look.words("lot.from" if low else "lot.up_to") + " "
        found[band.code] = f"{word}{text}{NARROW}{shown}"
    return found


def _crossing(packed: dict[str, Any], look: Look, ranges: dict[str, str]) -> dict[str, Any]:
    """The size x grade table: rows of sizes that hold fruit, columns of every grade."""
    cells: dict[tuple[str, str], int] = {}
    for cell in packed["cells"]:
        key = (cell["size"], cell["grade"])
        cells[key] = cells.get(key, 0) + cell["count"]
    grades = packed["by_grade"]
    return {
        "columns": [look.code(g["code"], g["title"]) for g in grades],
        "totals": grades,
        "rows": [
            {"title": look.code(s["code"], s["title"]), "range": ranges.get(s["code"], ""),
             "counts": [cells.get((s["code"], g["code"]), 0) for g in grades], **_share(s)}
            for s in packed["by_size"] if s["count"]
        ],
    }


def _share(entry: dict[str, Any]) -> dict[str, Any]:
    return {k: entry[k] for k in ("count", "n", "share", "low", "high")}


def entries(*, listed: Sequence[dict[str, Any]], look: Look) -> list[dict[str, Any]]:
    """Share entries with the title as it is shown; the class of what is open comes last."""
    shown = [{**e, "title": look.code(e["code"], e["title"]),
              "lang": look.title_lang(e["code"], e["title"])} for e in listed]
    return sorted(shown, key=lambda e: e["code"] in OPEN_CLASSES)


def _cull_rows(found: dict[str, Any], look: Look) -> list[dict[str, Any]]:
    """One row a reason, most decisive first, with both ways of counting."""
    decisive = {r["reason"]: r for r in found["decisive"]}
    anyhow = {r["reason"]: r for r in found["any"]}
    order = [*decisive, *(w for w in anyhow if w not in decisive)]
    titles = {r["reason"]: r["title"] for r in (*found["any"], *found["decisive"])}
    return [{"title": look.reason(w, titles[w]), "decisive": decisive.get(w),
             "any": anyhow.get(w)} for w in order]


def _charts(found: dict[str, Any], look: Look, hue_used: bool) -> list[dict[str, Any]]:
    charts = []
    for name in SHOWN:
        one = found["measures"][name]
        charts.append({
            "name": name,
            "title": look.words(f"measure.{name}"),
            "estimate": name in ESTIMATES,
            "unused": name == "hue" and not hue_used,
            "chart": histogram(name=name, found=one, look=look),
            "n": one["n"],
            "not_measured": one["not_measured"],
            "mean": None if one["mean"] is None else look.measure(name, one["mean"]),
            "sd": None if one["sd"] is None else _spread(look, name, one["sd"]),
            "unit": "in" if name == "diameter" and look.units == "in" else look.scale(name).unit,
            "near": [(look.diameter(cut), n) for cut, n in near_cuts(found=one)]
            if name == "diameter" else [],
        })
    return charts


def _spread(look: Look, name: str, sd: float) -> str:
    """A spread is no size: it stays in millimetres where sizes are marks of an inch."""
    scale = look.scale(name)
    return f"{look.number(sd * scale.factor, max(scale.decimals, 1))}{NARROW}{scale.unit}"


def pull_line(*, pull: Pull, look: Look) -> dict[str, Any]:
    """A pull in one row of a list."""
    return {
        "id": pull.id, "purpose": look.purpose(pull.purpose), "person": pull.person,
        "drawn_ms": pull.drawn_ms, "verdict": pull.result["verdict"],
        "n": pull.result["pull"]["n"],
    }


def has_pairs(pull: Pull) -> bool:
    """Whether fruit of the pull name the line's record of themselves."""
    return any(f.get("line_fruit") for f in pull.body["fruit"])


def lot_view(*, ctx: Context, state: LotState, look: Look) -> dict[str, Any]:
    """Everything of the lot page. Reads the store: call it on a worker thread."""
    reader = ctx.store.reader
    compiled = state.binding.compiled
    counted = state.counts(reader=reader)
    now_ms = ctx.clock.now_ms()
    packed = packout(tally=counted, compiled=compiled)
    culled = culls(tally=counted, compiled=compiled)
    lot = lot_json(state)
    gaps = []
    for source in reader.sources(lot=state.id):
        if source["kind"] == "line":
            found = reader.gaps(source=source["source"], run=source["run"])
            if found:
                gaps.append({**source, "ranges": found[:GAPS_SHOWN], "more": len(found) - len(
                    found[:GAPS_SHOWN]), "missing": sum(b - a + 1 for a, b in found)})
    with reader.connection() as conn:
        waiting = count_quarantined(conn, lot=state.id)
        pulls = list_pulls(conn, lot=state.id, limit=PULLS_SHOWN)
    pulls.sort(key=lambda p: -p.drawn_ms)
    return {
        "lot": lot,
        "cultivar": compiled.profile.title if compiled.profile else lot["cultivar"],
        "standard": lot["graded_under"],
        "fruit": counted.n,
        "now_ms": now_ms,
        "grades": entries(listed=packed["by_grade"], look=look),
        "maturities": entries(listed=packed["by_maturity"], look=look),
        "packs": entries(listed=packed["by_pack"], look=look),
        "crossing": _crossing(packed, look, size_ranges(compiled=compiled, look=look)),
        "weighed": packed["weighed"],
        "mass_kg": packed["mass_g"] / 1000,
        "culls": culled,
        "cull_rows": _cull_rows(culled, look),
        "cull_glance": [{**r, "title": look.reason(r["reason"], r["title"])}
                        for r in culled["decisive"][:CULLS_AT_A_GLANCE]],
        "sets_maturity": compiled.standard.maturity is not None,
        "sets_packs": bool(compiled.standard.pack),
        "charts": _charts(histograms(tally=counted, compiled=compiled), look,
                          lot["graded_under"]["hue_used"]),
        "points": [look.point(p.person, p.text) for p in person_points(compiled=compiled)],
        "cuts": cut_views(ctx, reversed(ctx.cuts.of_lots([state.id])[-CUTS_SHOWN:]), look),
        "quarantine": waiting,
        "gaps": gaps,
        "missing": sum(g["missing"] for g in gaps),
        "conflicts": len(reader.conflicts(lot=state.id, limit=100)),
        "pulls": [pull_line(pull=p, look=look) for p in pulls],
        "compared": pairs_address(ctx, line=state.row.line, drawn_ms=[
            p.drawn_ms for p in pulls if has_pairs(p)]),
    }


def lots_view(*, ctx: Context, after: str) -> dict[str, Any]:
    """A page of the list of lots, open ones first. Call it on a worker thread."""
    wanted = sorted(ctx.lots.all(), key=lambda s: (s.closed, s.id))
    keys = [f"{int(s.closed)}{s.id}" for s in wanted]
    page = [s for s, key in zip(wanted, keys, strict=True) if key > after]
    shown = page[:LOTS_SHOWN]
    fruit = ctx.store.reader.fruit_by_lot(kind=LINE)
    rows = [
        {**lot_json(s), "fruit": fruit.get(s.id, 0),
         "cultivar_title": s.binding.compiled.profile.title if s.binding.compiled.profile
         else s.row.cultivar}
        for s in shown
    ]
    return {
        "rows": rows, "now_ms": ctx.clock.now_ms(),
        "fruit": sum(r["fruit"] for r in rows),
        "next": f"{int(shown[-1].closed)}{shown[-1].id}" if len(page) > LOTS_SHOWN else None,
    }
