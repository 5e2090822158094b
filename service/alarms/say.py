"""An alarm in words, with its figures filled in."""

from __future__ import annotations

import re
from typing import Final

from grading.quantities import MEASURES
from service.alarms.definitions import DEFINITIONS, Text
from service.alarms.model import Alarm

NARROW: Final = "\u202f"
"""Narrow no-break space, between a number and its unit."""


def figure(value: float, *, unit: str, lang: str) -> str:
    """A value in the unit of its kind. Times are rounded down to what a person would say."""
    if unit == "share":
        text = f"{value * 100:.1f}{NARROW}%"
    elif unit == "ratio":
        text = f"{value:.1f}"
    elif unit == "count" or value < 120:
        text = f"{value:.0f}" if unit == "count" or value >= 10 else f"{value:.1f}"
        text += "" if unit == "count" else f"{NARROW}s"
    elif value < 7200:
        text = f"{value // 60:.0f}{NARROW}min"
    else:
        text = f"{value // 3600:.0f}{NARROW}h"
    return text.replace(".", ",") if lang == "es" else text


_MEASURES_ES: Final = {
    "diameter": "diámetro", "mass": "masa", "hue": "color de fondo", "blush": "chapa",
    "sugar": "azúcar", "firmness": "firmeza"}
_OF_LANE: Final = re.compile(r"([^/]+)/(\d+)(?:/([a-z]+))?")


def subject_of(alarm: Alarm, *, lang: str) -> str:
    """Whom an alarm is about: "belt-1/4/hue" is a source, its lane (0: not said) and measure."""
    found = _OF_LANE.fullmatch(alarm.subject)
    if found is None:
        return alarm.subject
    source, lane, measure = found.groups()
    words = [source]
    if lane != "0":
        words.append(f"{'carril' if lang == 'es' else 'lane'} {lane}")
    if measure:
        words.append(_MEASURES_ES.get(measure, measure) if lang == "es"
                     else MEASURES[measure].title if measure in MEASURES else measure)
    return ", ".join(words)


def said(alarm: Alarm, *, lang: str) -> Text:
    """The texts of an alarm in a language ("en" or "es")."""
    definition = DEFINITIONS[alarm.kind]
    text = definition.text(lang)
    values = {
        "subject": subject_of(alarm, lang=lang), "line": alarm.line, "lot": alarm.lot,
        "value": figure(alarm.value, unit=definition.unit, lang=lang),
        "limit": figure(alarm.limit, unit=definition.unit, lang=lang),
    }
    return Text(title=text.title, **{
        name: getattr(text, name).format(**values)
        for name in ("cause", "consequence", "response")})
