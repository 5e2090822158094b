"""The pull form: what was typed, what it means, and where a finding belongs on the page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone
from typing import Any, Final

from pydantic import ValidationError

from grading.numbers import parse_number
from service.pages.words import Words
from service.pull_model import PullIn

ROWS: Final = 10
ROWS_MAX: Final = 200
BOXES: Final = 4
BOXES_MAX: Final = 40
GRAMS: Final = {"lb": 453.59237, "kg": 1000.0, "g": 1.0}
DEFECTS_A_ROW: Final = 2
CELLS: Final = ("box", "diameter", "firm1", "firm2", "brix", "temp", "colour", "blush", "unfit",
                *(f"d{k}_{part}" for k in range(DEFECTS_A_ROW)
                  for part in ("kind", "circle", "length", "state")))
STATES: Final = ("healed", "unhealed", "injury", "damage", "serious")


def row_count(*, values: Mapping[str, str]) -> int:
    """How many fruit rows the form has, within bounds whatever was sent."""
    said = values.get("rows", "")
    return min(max(int(said) if said.isdecimal() and len(said) < 5 else ROWS, ROWS), ROWS_MAX)


@dataclass(slots=True)
class Read:
    """A form as read. pull: the pull, or None where errors were found. errors: field name to
    message; "" holds those that belong to no field. rows, boxes, slots: the form's row of each
    fruit, box of each package, and place of each of a row's defects.
    """

    errors: dict[str, str] = field(default_factory=dict)
    pull: PullIn | None = None
    rows: list[int] = field(default_factory=list)
    boxes: list[int] = field(default_factory=list)
    slots: dict[int, list[int]] = field(default_factory=dict)


class _Reader:
    """Turns cells into numbers and keeps a message for each that is none."""

    def __init__(self, values: Mapping[str, str], words: Words) -> None:
        self.values = values
        self.words = words
        self.errors: dict[str, str] = {}

    def text(self, name: str) -> str:
        return self.values.get(name, "").strip()

    def percent(self, name: str) -> float | None:
        """The share of a percentage in a cell."""
        share = self.number(name, 0.01)
        if share is not None and not 0 <= share <= 1:
            self.errors[name] = self.words("error.percent", value=self.text(name)[:40])
        return share

    def number(self, name: str, scale: float = 1.0) -> float | None:
        """The number in a cell; blank is not measured. Takes "63,5" and "2 1/2" too."""
        text = self.text(name)
        if not text:
            return None
        try:
            return round(float(parse_number(text[:40].replace(",", "."))) * scale, 6)
        except ValueError:
            self.errors[name] = self.words("error.number", value=text[:40])
            return None

    def needed(self, name: str) -> str:
        text = self.text(name)
        if not text:
            self.errors[name] = self.words("error.needed")
        return text


def _drawn_at(form: _Reader) -> str:
    """RFC 3339 from the local time and its offset from UTC in minutes."""
    text = form.needed("drawn_at")
    offset = form.text("utc_offset_min")
    try:
        minutes = int(offset or "0")
        zone = timezone(timedelta(minutes=minutes)) if minutes else UTC
        return datetime.fromisoformat(text).replace(tzinfo=zone).isoformat()
    except ValueError:
        if text:
            form.errors["drawn_at"] = form.words("error.time")
        return ""


def _defect(form: _Reader, row: int, k: int) -> dict[str, Any] | None:
    name = f"f{row}_d{k}"
    kind, state = form.text(f"{name}_kind"), form.text(f"{name}_state")
    circle = form.number(f"{name}_circle")
    length = form.number(f"{name}_length")
    if not kind:
        if state or form.text(f"{name}_circle") or form.text(f"{name}_length"):
            form.errors[f"{name}_kind"] = form.words("error.defect_kind")
        return None
    found: dict[str, Any] = {"kind": kind}
    if circle is not None:
        found["circle_mm"] = circle
    if length is not None:
        found["length_mm"] = length
    if state in ("healed", "unhealed"):
        found["healed"] = state == "healed"
    elif state in STATES:
        found["severity"] = state
    return found


def _fruit(
    form: _Reader, read: Read, row: int, judged: tuple[str, ...]
) -> dict[str, Any]:
    """One row as a pulled fruit; only what was filled in."""
    name = f"f{row}_"
    unit = "in" if form.text("diameter_unit") == "in" else "mm"
    force = form.text("firmness_unit")
    firmness = [v for k in ("firm1", "firm2") if (v := form.number(name + k)) is not None]
    colour = form.text(name + "colour")
    fruit: dict[str, Any] = {
        "package": form.text(name + "box") or None,
        f"diameter_{unit}": form.number(name + "diameter"),
        f"firmness_{force if force in ('n', 'kgf') else 'lbf'}": firmness or None,
        "sugar_brix": form.number(name + "brix"),
        "sugar_temp_c": form.number(name + "temp"),
        "blush_fraction": form.percent(name + "blush"),
    }
    if colour[:1].isdecimal() and not any(c.isalpha() for c in colour):
        fruit["ground_hue_deg"] = form.number(name + "colour")
    elif colour:
        fruit["ground_chip"] = colour
    slots = {k: d for k in range(DEFECTS_A_ROW) if (d := _defect(form, row, k))}
    read.slots[row] = list(slots)
    fruit["defects"] = list(slots.values())
    verdicts = {point: True for point in judged if form.text(f"judged_{point}")}
    unfit = form.text(name + "unfit")
    if unfit in judged:
        verdicts[unfit] = False
    fruit["judged"] = verdicts
    return fruit


def _packages(form: _Reader, read: Read) -> list[dict[str, Any]]:
    grams = GRAMS.get(form.text("weight_unit"), GRAMS["lb"])
    found = []
    for k in range(BOXES_MAX):
        name = form.text(f"b{k}_id")
        weight = form.number(f"b{k}_weight", grams)
        count = form.number(f"b{k}_count")
        if not name:
            if weight is not None or count is not None:
                form.errors[f"b{k}_id"] = form.words("error.box_name")
            continue
        read.boxes.append(k)
        found.append({"id": name, "net_weight_g": weight,
                      "marked_count": None if count is None else int(count)})
    return found


def read_form(*, values: Mapping[str, str], words: Words, judged: tuple[str, ...] = ()) -> Read:
    """The form as a pull. judged: the standard's points that only a person can judge.

    A row without any cell filled in is no fruit; a blank cell is not measured.
    """
    form, read = _Reader(values, words), Read()
    fruit = []
    for row in range(row_count(values=values)):
        if any(form.text(f"f{row}_{cell}") for cell in CELLS):
            read.rows.append(row)
            fruit.append(_fruit(form, read, row, judged))
    tip = form.number("tip_mm")
    tools = {k: v for k in ("penetrometer", "refractometer", "caliper") if (v := form.text(k))}
    body = {
        "id": form.text("pull_id") or None, "purpose": form.needed("purpose"),
        "person": form.needed("person"), "drawn_at": _drawn_at(form),
        "how_drawn": form.text("how_drawn"), "instruments": tools, "tip_mm": tip,
        "sugar_atc": form.text("sugar_atc") == "yes",
        "declared": {
            "grade": form.text("grade") or None,
            "stage": form.text("stage") or "shipping_point",
            "min_diameter": form.text("min_diameter").replace(",", ".") or None,
            "diameter_unit": form.text("min_diameter_unit") or "in",
        },
        "packages": _packages(form, read), "fruit": fruit,
    }
    read.errors = form.errors
    if not fruit:
        read.errors["f0_diameter"] = words("error.no_fruit")
    if read.errors:
        return read
    try:
        read.pull = PullIn.model_validate(body)
    except ValidationError as error:
        for item in error.errors():
            pointer = "".join(f"/{p}" for p in item["loc"])
            place(read=read, pointer=pointer, message=item["msg"].removeprefix("Value error, "))
    return read


_LABELS: Final = {
    "firm1": "cheek1", "firm2": "cheek2", "id": "box_id",
    "count": "marked_count", "tip_mm": "tip",
}


def label(*, name: str, words: Words) -> str:
    """A field in words, such as "Fruit 4, Blush %", for the list of what to mend."""
    head, _, cell = name.partition("_")
    if head[:1] in ("f", "b") and head[1:].isdecimal():
        group = words("pull.fruit_n" if head[0] == "f" else "pull.box_n", k=int(head[1:]) + 1)
        defect, _, part = cell.partition("_")
        if defect[:1] == "d" and defect[1:].isdecimal():
            spot = words("pull.defect_k", k=int(defect[1:]) + 1)
            last = "" if part == "kind" else f", {words(f'pull.{part}')}"
            return f"{group}, {spot}{last}"
        return f"{group}, {words(f'pull.{_LABELS.get(cell, cell)}')}"
    return words(f"pull.{_LABELS.get(name, name)}")


_CELL_OF: Final = {
    "package": "box", "diameter_mm": "diameter", "diameter_in": "diameter",
    "firmness_n": "firm1", "firmness_lbf": "firm1", "firmness_kgf": "firm1",
    "sugar_brix": "brix", "sugar_temp_c": "temp", "ground_hue_deg": "colour",
    "ground_chip": "colour", "blush_fraction": "blush", "judged": "unfit",
}
_FIELD_OF: Final = {
    "declared/grade": "grade", "declared/min_diameter": "min_diameter", "declared": "min_diameter",
    "declared/stage": "stage", "person": "person", "purpose": "purpose", "drawn_at": "drawn_at",
    "how_drawn": "how_drawn", "tip_mm": "tip_mm",
}
_BOX_OF: Final = {"id": "id", "net_weight_g": "weight", "marked_count": "count"}
_EXTENT_OF: Final = {"circle_mm": "circle", "length_mm": "length", "kind": "kind"}


def place(*, read: Read, pointer: str, message: str) -> None:
    """Put a finding beside the cell that it is about; findings of no cell go to the top."""
    name = _cell(read, pointer.strip("/").split("/"))
    read.errors[name] = f"{read.errors[name]} {message}" if name in read.errors else message


def _cell(read: Read, path: list[str]) -> str:
    if path[0] == "fruit" and len(path) > 2 and path[1].isdecimal():
        number = read.rows[int(path[1])]
        row = f"f{number}_"
        if path[2] == "defects":
            at = int(path[3]) if len(path) > 3 and path[3].isdecimal() else 0
            slots = read.slots[number]
            return f"{row}d{slots[at] if at < len(slots) else 0}_{_EXTENT_OF.get(path[-1], 'kind')}"
        return row + _CELL_OF.get(path[2], "diameter")
    if path[0] == "packages" and len(path) > 2 and path[1].isdecimal():
        return f"b{read.boxes[int(path[1])]}_{_BOX_OF.get(path[2], 'id')}"
    return _FIELD_OF.get("/".join(path), _FIELD_OF.get(path[0], ""))


def fresh(*, now_ms: int, pull_id: str, tip_mm: float, grade: str, units: str) -> dict[str, str]:
    """The values of a form that nobody has touched."""
    return {
        "pull_id": pull_id, "utc_offset_min": "0", "purpose": "packed_box",
        "drawn_at": datetime.fromtimestamp(now_ms / 1000, UTC).strftime("%Y-%m-%dT%H:%M"),
        "tip_mm": f"{tip_mm:g}", "sugar_atc": "no", "grade": grade, "stage": "shipping_point",
        "min_diameter_unit": "in" if units == "in" else "mm", "rows": str(ROWS),
        "diameter_unit": "in" if units == "in" else "mm",
        "firmness_unit": "lbf", "weight_unit": "lb",
    }

