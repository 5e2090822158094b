"""Pack standards and cultivar profiles as text, by digest: what a stored verdict was made with."""

from __future__ import annotations

import hashlib
import sqlite3
from dataclasses import dataclass
from typing import Final, TypeVar

from service.store.errors import Refused
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


Text = TypeVar("Text", StandardText, ProfileText)


def _keep(conn: sqlite3.Connection, *, table: Table[Text], row: Text) -> bool:
    held = table.get(conn, key=row.digest)
    if held is None:
        table.insert(conn, row=row)
        return True
    if held.text != row.text:
        raise ValueError(f"digest {row.digest} is stored with another text")
    return False


def texts(conn: sqlite3.Connection, *, table: Table[Text]) -> dict[str, str]:
    """Every text of STANDARDS or PROFILES by its digest.

    Refused if a text does not give the digest under which it is stored: the verdicts that name
    the digest were not made with it.
    """
    found = {}
    for row in table.select(conn, where="1"):
        given = hashlib.sha256(row.text.encode()).hexdigest()
        if given != row.digest:
            raise Refused(
                f"{table.name} {row.id} is stored with digest {row.digest}, its text gives "
                f"{given}; restore a backup"
            )
        found[row.digest] = row.text
    return found


def keep_standard(conn: sqlite3.Connection, *, standard: StandardText) -> bool:
    """Keeps a standard; False if it was there already. ValueError if its digest has other text."""
    return _keep(conn, table=STANDARDS, row=standard)


def get_standard(conn: sqlite3.Connection, *, digest: str) -> StandardText | None:
    return STANDARDS.get(conn, key=digest)


def list_standards(
    conn: sqlite3.Connection, *, after: str | None = None, limit: int = PAGE
) -> list[StandardText]:
    """A page of standards in order of digest."""
    return STANDARDS.page(conn, after=after, limit=limit)


def keep_profile(conn: sqlite3.Connection, *, profile: ProfileText) -> bool:
    """Keeps a profile; False if it was there already. ValueError if its digest has other text."""
    return _keep(conn, table=PROFILES, row=profile)


def get_profile(conn: sqlite3.Connection, *, digest: str) -> ProfileText | None:
    return PROFILES.get(conn, key=digest)


def list_profiles(
    conn: sqlite3.Connection, *, after: str | None = None, limit: int = PAGE
) -> list[ProfileText]:
    """A page of profiles in order of digest."""
    return PROFILES.page(conn, after=after, limit=limit)
