"""The words of the pages, from one message file a language."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

DEFAULT: Final = "en"
_WEIGHT: Final = re.compile(
    r"^\s*([A-Za-z]{2,3})(?:-[A-Za-z0-9-]+)?\s*(?:;\s*q=([01](?:\.\d*)?))?\s*$")


def _flat(node: Mapping[str, Any], prefix: str = "") -> dict[str, str]:
    found: dict[str, str] = {}
    for key, value in node.items():
        if isinstance(value, dict):
            found.update(_flat(value, f"{prefix}{key}."))
        else:
            found[f"{prefix}{key}"] = str(value)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """The messages of one language by dotted key."""

    lang: str
    table: Mapping[str, str]

    def __call__(self, key: str, /, **values: Any) -> str:
        """The message with its values filled in. Raises KeyError for an unknown key."""
        return self.table[key].format(**values)

    def of(self, key: str, fallback: str) -> str:
        """The message, or the fallback where the language files have none."""
        return self.table.get(key, fallback)


def load_words() -> dict[str, Words]:
    """Every language by its code."""
    folder = Path(__file__).parent / "messages"
    return {
        path.stem: Words(path.stem, _flat(tomllib.loads(path.read_text(encoding="utf-8"))))
        for path in sorted(folder.glob("*.toml"))
    }


WORDS: Final = load_words()


def wanted_language(*, accept: str) -> str:
    """The language of ours that an Accept-Language header (RFC 9110, 12.5.4) ranks highest."""
    best, rank = DEFAULT, 0.0
    for part in accept[:500].split(","):
        found = _WEIGHT.match(part)
        if found is None or found[1].lower() not in WORDS:
            continue
        weight = float(found[2] or 1)
        if weight > rank:
            best, rank = found[1].lower(), weight
    return best
