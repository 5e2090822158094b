"""A slow, table-driven second implementation of grading, written from the standard's file itself.

It shares nothing with `grading`: it reads the TOML, parses the numbers, quantises and decides by
itself, with exact fractions and sets of possible answers instead of masks. Verdicts are names.

Quanta: 0.01 mm, 0.1 g, 0.01 degree, 0.01 chroma, 0.001 of the surface, 0.01 °Bx, 0.01 N, rounded
half to even. Units by definition: 1 in = 25.4 mm, 1 lb = 453.59237 g, 1 kgf = 9.80665 N
(NIST SP 811, appendix B). Circles of equal area: Canadian Grade Compendium, volume 2.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import product
from typing import Any

F = Fraction
UNITS = {
    "mm": F(1), "cm": F(10), "in": F("25.4"), "mm2": F(1), "cm2": F(100), "g": F(1),
    "lb": F("453.59237"), "N": F(1), "kgf": F("9.80665"), "lbf": F("0.45359237") * F("9.80665"),
    "deg": F(1), "brix": F(1), "fraction": F(1), "percent": F("0.01"), "count": F(1),
}
QUANTA = {
    "diameter": F("0.01"), "circumference": F("0.01"), "mass": F("0.1"), "hue": F("0.01"),
    "chroma": F("0.01"), "ground": F("0.001"), "blush": F("0.001"), "sugar": F("0.01"),
    "firmness": F("0.01"), "tip": F("0.01"),
}
LEVELS = ["none", "injury", "damage", "serious"]
PI = F("3.14159265358979323846264338327950288419716939937510")
BOTH = frozenset({True, False})


def number(text: str) -> Fraction:
    """"2 1/2", "2-1/2", "1/3" or "0.375"."""
    total = F(0)
    sign = -1 if text.startswith("-") else 1
    for part in text.strip().lstrip("-").replace("-", " ").split():
        total += F(part)
    return sign * total


@dataclass(frozen=True)
class Verdict:
    size: str
    maturity: str
    grade: str
    pack: str


class Oracle:
    """One standard for one cultivar (traits and floors as plain values) and one size basis."""

    def __init__(
        self, *, text: str, basis: str, traits: Mapping[str, str] | None = None,
        chroma_floor: str = "10", ground_floor: str = "0.05",
    ) -> None:
        self.file: dict[str, Any] = tomllib.loads(text)
        self.basis, self.traits = basis, traits
        self.floors = {"chroma": F(chroma_floor), "ground": F(ground_floor)}
        self.to_nearest = self.file.get("rounding", {}).get("limits", "nearest") == "nearest"

    def limit(self, text: str, unit: str, measure: str) -> Fraction:
        """A limit in SI, at the nearest quantum where the standard rounds limits."""
        si = number(text) * UNITS[unit]
        return self.counted(si, measure) if self.to_nearest else si

    @staticmethod
    def counted(value: Fraction, measure: str) -> Fraction:
        """A reading in SI at its quantum."""
        return round(value / QUANTA[measure]) * QUANTA[measure]

    def grade(
        self, *, measures: Mapping[str, Fraction | None],
        defects: Sequence[Mapping[str, Any]] = (), judged: Mapping[str, bool] | None = None,
    ) -> Verdict:
        """measures: SI decimals by measure name, None or absent where not measured."""
        seen = {m: self.counted(v, m) for m, v in measures.items() if v is not None}
        diameter = seen.get("diameter")
        if seen.get("hue") == 360:
            seen["hue"] = F(0)
        if head(seen.get("tip")) != head(number(self.file.get("tip_mm", "8"))):
            seen.pop("firmness", None)
        if self.traits is not None and any(
                m in seen and seen[m] < self.counted(f, m) for m, f in self.floors.items()):
            seen.pop("hue", None)
        size, maturity = self.size(seen), self.maturity(seen)
        barred = self.barred(defects, diameter)
        grade = "cull"
        for rung in self.file["grade"]:
            if rung["id"] in barred:
                continue
            answers = [self.possible(r, seen, size, maturity, judged or {}, False)
                       for r in rung.get("requires", [])]
            if any(a == {False} for a in answers):
                continue
            grade = rung["id"] if all(a == {True} for a in answers) else "undecided"
            break
        return Verdict(size, maturity, grade, self.pack(size, maturity, grade))

    def size(self, seen: Mapping[str, Fraction]) -> str:
        table = next((t for t in self.file.get("sizing", [])
                      if t["basis"] == self.basis and not t.get("overlap")), None)
        if table is None or self.basis not in seen:
            return "not measured"
        value, low_side = seen[self.basis], table.get("closed", "low") == "low"

        def reaches(text: str) -> bool:
            limit = self.limit(text, table["unit"], self.basis)
            return value > limit or (low_side and value == limit)

        for band in table["bands"]:
            if (("low" not in band or reaches(band["low"]))
                    and ("high" not in band or not reaches(band["high"]))):
                return str(band["code"])
        first = table["bands"][0]
        return "below scale" if "low" in first and not reaches(first["low"]) else "above scale"

    def hue_speaks(self) -> bool:
        """Whether hue may be used for this cultivar under this standard at all."""
        if self.traits is not None and self.traits["ground_colour"] == "not_usable":
            return False
        rules = [b for b in self.file.get("maturity", {}).get("by", []) if b["measure"] == "hue"]
        return not rules or any(self.suits(b) for b in rules)

    def suits(self, by: Mapping[str, Any]) -> bool:
        when = by.get("when", {})
        return all(self.traits is not None and self.traits[t] in ok for t, ok in when.items())

    def maturity(self, seen: Mapping[str, Fraction]) -> str:
        rule = self.file.get("maturity")
        if rule is None:
            return "not measured"
        said: list[int] = []
        done = set()
        for measure in [b["measure"] for b in rule["by"]]:
            if measure in done:
                continue
            done.add(measure)
            ours = [b for b in rule["by"] if b["measure"] == measure and self.suits(b)]
            if not ours or (measure == "hue" and not self.hue_speaks()):
                continue
            ours.sort(key=lambda b: -len(b.get("when", {})))
            if measure not in seen:
                if ours[0].get("required"):
                    return "not measured"
                continue
            said.append(rule["classes"].index(self.indication(ours[0], seen[measure])))
        if len(said) < int(rule.get("needs", 1)):
            return "not measured"
        chosen = {"softest": max(said), "firmest": min(said), "first": said[0]}
        return str(rule["classes"][chosen[rule["combine"]]])

    def indication(self, by: Mapping[str, Any], value: Fraction) -> str:
        name = by["steps"][0]["maturity"]
        for step in by["steps"][1:]:
            limit = self.limit(step["low"], by["unit"], by["measure"])
            if value > limit or (value == limit and by.get("closed", "low") == "low"):
                name = step["maturity"]
        return str(name)

    def possible(
        self, rule: Mapping[str, Any], seen: Mapping[str, Fraction], size: str, maturity: str,
        judged: Mapping[str, bool], mirrored: bool,
    ) -> set[bool]:
        """The answers a rule can still take once missing measures count as their policy says."""
        for key, least in (("all_of", None), ("any_of", 1), ("of", rule.get("at_least_k"))):
            if key in rule:
                parts = [self.possible(r, seen, size, maturity, judged, mirrored)
                         for r in rule[key]]
                need = len(parts) if least is None else least
                return {sum(case) >= need for case in product(*parts)}
        if "not" in rule:
            inner = self.possible(rule["not"], seen, size, maturity, judged, not mirrored)
            return {not answer for answer in inner}
        policy = "open"
        answer: bool | None
        if "measure" in rule:
            measure = rule["measure"]
            value = seen.get(measure)
            policy = rule.get("if_missing", "open")
            if measure == "hue" and not self.hue_speaks():
                value, policy = None, "open"
            answer = None if value is None else self.compare(rule, value)
        elif "person" in rule:
            answer = judged.get(rule["person"])
        else:
            key, has = ("maturity", maturity) if "maturity" in rule else ("size", size)
            policy = rule.get("if_missing", "undecided")
            answer = None if has == "not measured" else has in rule[key]
        if answer is not None:
            return {answer}
        if policy == "undecided":
            return set(BOTH)
        return {(policy == "open") != mirrored}

    def compare(self, rule: Mapping[str, Any], value: Fraction) -> bool:
        for word, holds in (("at_least", value.__ge__), ("above", value.__gt__),
                            ("at_most", value.__le__), ("below", value.__lt__)):
            if word in rule:
                return bool(holds(self.limit(rule[word], rule["unit"], rule["measure"])))
        raise AssertionError(rule)

    def pack(self, size: str, maturity: str, grade: str) -> str:
        if grade == "cull":
            return "culls"
        if grade != "undecided":
            for pack in self.file.get("pack", []):
                wanted = (pack.get("grades"), pack.get("sizes"), pack.get("maturities"))
                if all(not w or has in w
                       for w, has in zip(wanted, (grade, size, maturity), strict=True)):
                    return str(pack["id"])
        return "by hand"

    def barred(
        self, defects: Sequence[Mapping[str, Any]], diameter: Fraction | None
    ) -> set[str]:
        """Ids of the grades that the defects keep the fruit out of."""
        out: set[str] = set()
        places: dict[tuple[str, bool], list[Mapping[str, Any]]] = {}
        for spot in defects:
            places.setdefault((spot["kind"], bool(spot.get("in_stem_cavity"))), []).append(spot)
        for (kind, _), spots in places.items():
            level = self.level(kind, spots, diameter)
            for rung in self.file["grade"]:
                cap = rung.get("no_defect_at")
                if kind in rung.get("free_from", []) or (cap and level >= LEVELS.index(cap)):
                    out.add(rung["id"])
        return out

    def level(
        self, kind: str, spots: Sequence[Mapping[str, Any]], diameter: Fraction | None
    ) -> int:
        """The severity that is certain; a person's word goes before measurements."""
        stated = [LEVELS.index(s["severity"]) for s in spots if s.get("severity")]
        if stated:
            return max(stated)
        none: dict[str, Any] = {}
        rule = next((d for d in self.file.get("defect", []) if d["kind"] == kind), none)
        return max((LEVELS.index(s["level"]) for s in rule.get("severities", [])
                    if self.fires(s["when"], spots, diameter) == {True}), default=0)

    def fires(
        self, when: Mapping[str, Any], spots: Sequence[Mapping[str, Any]],
        diameter: Fraction | None,
    ) -> set[bool]:
        """The answers a trigger can still take."""
        for key, join in (("all_of", all), ("any_of", any)):
            if key in when:
                parts = [self.fires(w, spots, diameter) for w in when[key]]
                return {join(case) for case in product(*parts)}
        if "always" in when:
            return {True}
        if "flag" in when:
            said = {s.get(when["flag"]) for s in spots}
            against = when["flag"] not in ("healed", "smooth", "light")
            if against in said:
                return {against == when["is"]}
            return set(BOTH) if None in said else {(not against) == when["is"]}
        return self.beyond(when, spots, diameter)

    def beyond(
        self, when: Mapping[str, Any], spots: Sequence[Mapping[str, Any]],
        diameter: Fraction | None,
    ) -> set[bool]:
        unit, attribute = when["unit"], when["attribute"]
        if "above" in when:
            limit = number(when["above"])
        elif diameter is None:
            return set(BOTH)
        else:
            limit = by_diameter(when["above_by_diameter"], diameter / UNITS[unit])
        limit *= UNITS[unit]
        sums = [measured(s, attribute) for s in spots]
        known = [s for s in sums if s is not None]
        if attribute in ("length", "depth"):
            total, mark = max(known, default=F(-1)), F(round(limit * 100))
        elif attribute == "circle":
            # Circle diameters add up by their squares; areas add up first and become one circle.
            circles = sum((s for s, is_area in known if not is_area), F(0))
            areas = sum((s for s, is_area in known if is_area), F(0))
            total = circles + round(areas * 4 / PI * 10_000)
            mark = F(round(limit * 4 / PI * 10_000) if unit in ("mm2", "cm2")
                     else round(limit * 100) ** 2)
        else:
            total = sum(known, F(0))
            mark = F(round(limit * 1000)) if attribute == "share" else limit
        if known and total > mark:
            return {True}
        return {False} if len(known) == len(spots) else set(BOTH)


def head(tip: Fraction | None) -> str | Fraction | None:
    """5/16 and 7/16 in heads, however written, are the 8 and 11 mm heads."""
    named = {F("7.9"): "8", F("7.93"): "8", F("7.94"): "8", F(8): "8",
             F("11.1"): "11", F("11.11"): "11", F("11.12"): "11", F(11): "11"}
    return tip if tip is None else named.get(tip, tip)


def by_diameter(rule: Mapping[str, Any], diameter: Fraction) -> Fraction:
    """A limit that depends on the fruit's diameter, both in the trigger's unit."""
    if "slope" in rule:
        value = number(rule["slope"]) * diameter
        if "floor" in rule:
            value = max(value, number(rule["floor"]))
        return min(value, number(rule["ceiling"])) if "ceiling" in rule else value
    return next(number(s["limit"]) for s in rule["steps"]
                if "to" not in s or diameter <= number(s["to"]))


def measured(spot: Mapping[str, Any], attribute: str) -> Any:
    """What one spot adds: a quantised number, for circles (square or area, is it an area)."""

    def quantised(key: str, quantum: str) -> Fraction | None:
        return None if spot.get(key) is None else F(round(F(str(spot[key])) / F(quantum)))

    if attribute == "count":
        return F(spot.get("count") or 1)
    if attribute == "share":
        return quantised("surface_fraction", "0.001")
    if attribute in ("length", "depth"):
        return quantised(f"{attribute}_mm", "0.01")
    circle = quantised("circle_mm", "0.01")
    if circle is not None:
        return circle**2, False
    area = quantised("area_mm2", "0.0001")
    return None if area is None else (area / 10_000, True)
