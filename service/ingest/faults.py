"""What is wrong with a body or a record, said so that its sender can mend it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from functools import lru_cache
from typing import Any, Final, get_type_hints

import msgspec

from grading.errors import Finding
from grading.quantities import UNIT_FIELDS, remedy
from grading.record import Defect, FruitRecord

UNREADABLE: Final = (msgspec.MsgspecError, UnicodeDecodeError, RecursionError)
"""What decoding may raise for bytes from outside."""

_AT = re.compile(r" - at `(?:key in )?\$(.*)`$", re.DOTALL)
_STEP = re.compile(r"\.([A-Za-z_][A-Za-z0-9_]*)|\[(\d+)\]|\[\.\.\.\]")
_BYTE = re.compile(r"\s*\(byte (\d+)\)$")
_QUOTED = re.compile(r"`([^`]*)`")
_SHOWN: Final = 60
_TIME_REMEDY: Final = "Send date, time and zone, for instance 2026-07-27T08:15:02.120Z."

_REMEDIES: Final[dict[str, str]] = {
    "seq": "Send the fruit's number inside its run: a whole number from 0 up.",
    "lane": "Send the lane's number, 1 to 255, or leave it out.",
    "time": _TIME_REMEDY,
    "time_unix_ms": "Send whole milliseconds since 1970-01-01 UTC, of a moment from 2000 on.",
    "defects": "Send a list of objects such as {\"kind\": \"bruise\", \"circle_mm\": 8}.",
    "judged": "Send an object of yes-or-no answers such as {\"well_formed\": true}.",
    "kind": "Send the defect's name in lower case, for instance bruise or split_pit.",
    "circle_mm": "Send the diameter of the circle of equal area, above 0 to 400 mm.",
    "area_mm2": "Send square millimetres, above 0 to 50000.",
    "length_mm": "Send millimetres, above 0 to 400.",
    "depth_mm": "Send millimetres, above 0 to 400.",
    "surface_fraction": "Send the share of the surface as a fraction, 0 to 1, not percent.",
    "count": "Send a whole number, 1 to 999.",
    "severity": "Send none, injury, damage or serious.",
}
_CODES: Final = (
    ("got", "wrong_type"), ("of length", "too_many"), ("matching regex", "wrong_form"),
    ("timezone", "time_without_zone"), ("Invalid RFC3339", "not_a_time"),
    ("Invalid enum", "not_allowed"), (">", "out_of_range"), ("<", "out_of_range"),
    ("out of range", "out_of_range"),
)


_WORDS: Final = {"float": "number", "int": "whole number", "str": "text", "bool": "true or false",
                 "datetime": "time as text"}


class BodyError(Exception):
    """A body of which no record can be told apart; `findings` say why."""

    def __init__(self, *, findings: tuple[Finding, ...]) -> None:
        super().__init__("; ".join(f.text() for f in findings))
        self.findings = findings


def body_error(code: str, message: str, remedy_text: str = "") -> BodyError:
    return BodyError(findings=(Finding("", code, message, remedy_text),))


def not_json(*, body: bytes, error: Exception) -> BodyError:
    """The error for a body that does not decode at all."""
    try:
        body.decode("utf-8")
    except UnicodeDecodeError as wrong:
        return body_error("not_utf8", f"The body is not UTF-8 at byte {wrong.start}.",
                          "Send UTF-8 text.")
    return BodyError(findings=(_syntax(body=body, error=error, what="body"),))


def _syntax(*, body: bytes, error: Exception, what: str) -> Finding:
    if isinstance(error, RecursionError):
        return Finding("", "too_deep", f"The {what} is nested too deeply.",
                       "Send fruit records as they are documented.")
    text = str(error).removeprefix("JSON is malformed: ")
    match = _BYTE.search(text)
    if match is None:
        return Finding("", "not_json", f"The {what} is not JSON: {_lower(text)}.",
                       "Send the whole of it.")
    # With trailing characters the decoder has stepped past the first of them.
    at = int(match[1]) - ("trailing characters" in text)
    # The decoder may stop on a letter after the first.
    for start in range(max(0, at - 2), at + 1):
        for word in (b"NaN", b"Infinity", b"-Infinity"):
            if body.startswith(word, start):
                return Finding("", "not_a_number",
                               f"{word.decode()} at byte {start} is not JSON.",
                               "Leave a field out when it was not measured.")
    tail = "Send several objects as application/x-ndjson or in one array." \
        if "trailing characters" in text else "Mend the syntax there."
    return Finding("", "not_json",
                   f"The {what} is not JSON at byte {at}: {_lower(text[:match.start()])}.", tail)


def record_findings(*, raw: bytes) -> tuple[Finding, ...]:
    """Everything wrong with the types and names of one record; empty if nothing is.

    raw: the JSON text of one record.
    """
    try:
        return _record_findings(raw)
    except RecursionError as error:  # what could just be read may be too deep to be looked into
        return (_syntax(body=raw, error=error, what="record"),)


def _record_findings(raw: bytes) -> tuple[Finding, ...]:
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError as wrong:
        return (Finding("", "not_utf8", f"The record is not UTF-8 at its byte {wrong.start}.",
                        "Send UTF-8 text."),)
    try:
        value = msgspec.json.decode(raw)
    except UNREADABLE as error:
        if "out of range" not in str(error):
            return (_syntax(body=raw, error=error, what="record"),)
        return (Finding("", "out_of_range", "A number is too large to be one.",
                        "Send the reading itself."),)
    if not isinstance(value, dict):
        return (Finding("", "not_an_object", f"{shown(value)} is not a fruit record.",
                        "Send an object with the fields of a fruit record."),)
    return (*value_findings(value=value), *_twice(raw))


def value_findings(*, value: Mapping[str, Any]) -> tuple[Finding, ...]:
    """Everything wrong with the types and names of one record, given as a mapping."""
    found = []
    types = _field_types()
    if "seq" not in value:
        found.append(Finding("/seq", "missing_field", "seq is missing.", _REMEDIES["seq"]))
    for name, part in value.items():
        if name not in types:
            found.append(_unknown(f"/{pointer_step(name)}", name, tuple(types)))
            continue
        try:
            msgspec.convert(part, types[name])
        except msgspec.ValidationError as error:
            found.append(_from_message(str(error), name, part))
    return tuple(found)


@lru_cache(maxsize=1)
def _field_types() -> dict[str, Any]:
    return get_type_hints(FruitRecord, include_extras=True)


def _from_message(text: str, name: str, value: Any) -> Finding:
    """A finding from the decoder's message about the value of one field."""
    at = _AT.search(text)
    steps: list[str | int] = []
    if at is not None:
        text = text[:at.start()]
        for match in _STEP.finditer(at[1]):
            if match[0] != "[...]":
                steps.append(match[1] if match[1] else int(match[2]))
    pointer = "/" + "/".join([name, *(pointer_step(str(s)) for s in steps)])
    quoted = _QUOTED.findall(text)
    if "unknown field" in text:
        return _unknown(f"{pointer}/{pointer_step(quoted[0])}", quoted[0], Defect.__struct_fields__)
    if "missing required field" in text:
        return Finding(f"{pointer}/{quoted[0]}", "missing_field", f"{quoted[0]} is missing.",
                       _remedy(quoted[0]))
    for step in steps:
        value = value[step]
    code = next((c for mark, c in _CODES if mark in text), "invalid")
    last = next((s for s in reversed([name, *steps]) if isinstance(s, str)), name)
    detail = _lower(text.replace("`", "").replace(" | null", ""))
    for word, plain in _WORDS.items():
        detail = re.sub(rf"\b{word}\b", plain, detail)
    if code == "time_without_zone":
        detail = "the zone is missing"
    elif code == "not_a_time":
        detail = "not a date and time (RFC 3339)"
    return Finding(pointer, code, f"{shown(value)} cannot be used: {detail}.", _remedy(last))


def _unknown(pointer: str, name: str, known: Sequence[str]) -> Finding:
    near = get_close_matches(name[:_SHOWN], known, n=1, cutoff=0.6)
    said = f"Did you mean {near[0]}?" if near else "Known fields: " + ", ".join(known) + "."
    return Finding(pointer, "unknown_field", f"{shown(name)} is not a field of a fruit record."
                   if known[0] == "seq" else f"{shown(name)} is not a field of a defect.", said)


def unknown_column(*, name: str) -> Finding:
    """The finding for a table whose header names no known field."""
    return _unknown(f"/{pointer_step(name)}", name, FruitRecord.__struct_fields__)


def _remedy(name: str) -> str:
    return remedy(field=name) if name in UNIT_FIELDS else _REMEDIES.get(
        name, "Send true or false, or leave it out.")


def _twice(raw: bytes) -> Iterator[Finding]:
    """Keys that an object holds more than once: which value counts would be anybody's guess."""
    twice: list[str] = []

    def pairs(items: list[tuple[str, Any]]) -> None:
        keys = [k for k, _ in items]
        if len(set(keys)) < len(keys):
            twice.extend(k for k in dict.fromkeys(keys) if keys.count(k) > 1)

    json.loads(raw, object_pairs_hook=pairs)
    for name in twice:
        yield Finding(f"/{pointer_step(name)}", "given_twice",
                      f"{shown(name)} is given twice in one object.", "Send it once.")


def has_twice(*, raw: bytes) -> bool:
    """Whether an object of the record holds a key twice."""
    return next(_twice(raw), None) is not None


def pointer_step(name: str) -> str:
    """One step of a JSON pointer (RFC 6901)."""
    return name.replace("~", "~0").replace("/", "~1")


def shown(value: Any) -> str:
    """A value as JSON, cut to a readable length."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= _SHOWN else text[:_SHOWN] + "…"


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
