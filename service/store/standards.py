"""Pack standards and cultivar profiles as text, by digest: what a stored verdict was made with."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Final

from service.store.tables import PAGE, Table


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardText:
    """One edition of a pack standard; digest: SHA-256 of its canonical form, in hex."""

    digest: str
    id: str
    edition: str
    text: str
    stored_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileText:
    """One version of a cultivar profile."""

    digest: str
    id: str
    text: str
    stored_ms: int


STANDARDS: Final = Table("standard", StandardText, key="digest")
PROFILES: Final = Table("profile", ProfileText, key="digest")


def keep_standard(conn: sqlite3.Connection, *, standard: StandardText) -> bool:
    """Keeps a standard; False if it was there already. ValueError if its digest has other text."""
    held = get_standard(conn, digest=standard.digest)
    if held is None:
        STANDARDS.insert(conn, row=standard)
        return True
    if held.text != standard.text:
        raise ValueError(f"digest {standard.digest} is stored with another text")
    return False


def get_standard(conn: sqlite3.Connection, *, digest: str) -> StandardText | None:
    return STANDARDS.get(conn, key=digest)


def list_standards(
    conn: sqlite3.Connection, *, after: str | None = None, limit: int = PAGE
) -> list[StandardText]:
    """A page of standards in order of digest."""
    return STANDARDS.page(conn, after=after, limit=limit)


def keep_profile(conn: sqlite3.Connection, *, profile: ProfileText) -> bool:
    """Keeps a profile; False if it was there already. ValueError if its digest has other text."""
    held = get_profile(conn, digest=profile.digest)
    if held is None:
        PROFILES.insert(conn, row=profile)
        return True
    if held.text != profile.text:
        raise ValueError(f"digest {profile.digest} is stored with another text")
    return False


def get_profile(conn: sqlite3.Connection, *, digest: str) -> ProfileText | None:
    return PROFILES.get(conn, key=digest)


def list_profiles(
    conn: sqlite3.Connection, *, after: str | None = None, limit: int = PAGE
) -> list[ProfileText]:
    """A page of profiles in order of digest."""
    return PROFILES.page(conn, after=after, limit=limit)
