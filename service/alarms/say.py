"""An alarm in words, with its figures filled in."""

from __future__ import annotations

from typing import Final

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


def said(alarm: Alarm, *, lang: str) -> Text:
    """The texts of an alarm in a language ("en" or "es")."""
    definition = DEFINITIONS[alarm.kind]
    text = definition.text(lang)
    values = {
        "subject": alarm.subject, "line": alarm.line, "lot": alarm.lot,
        "value": figure(alarm.value, unit=definition.unit, lang=lang),
        "limit": figure(alarm.limit, unit=definition.unit, lang=lang),
    }
    return Text(title=text.title, **{
        name: getattr(text, name).format(**values)
        for name in ("cause", "consequence", "response")})
