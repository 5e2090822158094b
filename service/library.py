"""Where pack standards and cultivar profiles are found: shipped files and the house's own folders.

Adding a standard is adding a `.toml` file to a folder that the service is told of. Two files may
not claim the same id and edition: a released edition is never changed, a change is a new edition.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

from grading.errors import Finding, StandardError
from grading.profile import CultivarProfile, load_profile
from grading.standard import PackStandard, load_standard

_SHIPPED = Path(str(files("grading")))


@lru_cache(maxsize=256)
def _standard(text: str, name: str) -> PackStandard:
    return load_standard(text=text, name=name)


@lru_cache(maxsize=256)
def _profile(text: str, name: str) -> CultivarProfile:
    return load_profile(text=text, name=name)


class Library:
    """Shipped standards and profiles, and those of extra folders (standards in the folder itself
    or its `standards`, profiles in its `cultivars`). Files are read when asked for, so a new file
    is found without a restart. Every method raises StandardError for a file that cannot be used.
    """

    def __init__(self, *, extra_dirs: Sequence[Path] = ()) -> None:
        self._standards = [_SHIPPED / "standards"]
        self._profiles = [_SHIPPED / "cultivars"]
        for folder in extra_dirs:
            self._standards += [folder, folder / "standards"]
            self._profiles.append(folder / "cultivars")

    def standards(self) -> tuple[PackStandard, ...]:
        """Every standard, by id and then oldest edition first."""
        found: dict[str, tuple[PackStandard, Path]] = {}
        for path in _toml(self._standards):
            standard = _standard(_read(path), path.name)
            held = found.setdefault(standard.name, (standard, path))
            if held[1] != path:
                raise _twice(standard.name, held[1], path)
        return tuple(s for s, _ in sorted(found.values(), key=lambda f: (
            f[0].id, f[0].in_force_from, f[0].edition)))

    def standard(self, name: str) -> PackStandard:
        """A standard by "id" (its latest edition) or "id@edition"; never by path, so that a name
        that came over the network opens no other file."""
        known = self.standards()
        identity, _, edition = name.partition("@")
        of_id = [s for s in known if s.id == identity]
        chosen = [s for s in of_id if edition in ("", s.edition)]
        if chosen:
            return chosen[-1]
        if of_id:
            editions = ", ".join(s.edition for s in of_id)
            raise _unknown(name, f"There is no edition {edition!r} of {identity}.",
                           f"Editions on hand: {editions}.")
        ids = ", ".join(dict.fromkeys(s.id for s in known))
        raise _unknown(name, f"There is no pack standard {identity!r}.",
                       f"Choose one of {ids}, or add its file to the standards folder.")

    def profiles(self) -> tuple[CultivarProfile, ...]:
        """Every cultivar profile, by id."""
        found: dict[str, tuple[CultivarProfile, Path]] = {}
        for path in _toml(self._profiles):
            profile = _profile(_read(path), path.name)
            held = found.setdefault(profile.id, (profile, path))
            if held[1] != path:
                raise _twice(profile.id, held[1], path)
        return tuple(found[k][0] for k in sorted(found))

    def profile(self, name: str) -> CultivarProfile:
        """A cultivar profile by its id."""
        known = self.profiles()
        for profile in known:
            if profile.id == name:
                return profile
        ids = ", ".join(p.id for p in known)
        raise _unknown(name, f"There is no cultivar profile {name!r}.",
                       f"Choose one of {ids}, or add its file to the cultivars folder.")


def shipped_standards() -> tuple[PackStandard, ...]:
    """The standards that come with the program."""
    return Library().standards()


def find_standard(name: str, *, extra_dirs: Sequence[Path] = ()) -> PackStandard:
    """A standard by "id" (latest edition), "id@edition" or the path of its file.

    For people at the keyboard. Raises StandardError with what to do.
    """
    if _is_path(name):
        path = Path(name)
        return load_standard(text=_read(path), name=path.name)
    return Library(extra_dirs=extra_dirs).standard(name)


def find_profile(name: str, *, extra_dirs: Sequence[Path] = ()) -> CultivarProfile:
    """A cultivar profile by its id or the path of its file. Raises StandardError."""
    if _is_path(name):
        path = Path(name)
        return load_profile(text=_read(path), name=path.name)
    return Library(extra_dirs=extra_dirs).profile(name)


def _is_path(name: str) -> bool:
    return name.endswith(".toml") or "/" in name or "\\" in name


def _toml(folders: Sequence[Path]) -> Iterator[Path]:
    for folder in dict.fromkeys(f.resolve() for f in folders):
        yield from sorted(folder.glob("*.toml"))


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise _unusable(path, "not_found", f"There is no file {path}.",
                        "Check the path; to use a shipped standard give its id instead.") from error
    except UnicodeDecodeError as error:
        raise _unusable(path, "not_utf8", f"{path} is not UTF-8 text.",
                        "Save the file as UTF-8.") from error
    except OSError as error:
        raise _unusable(path, "not_readable", f"{path} cannot be read: {error.strerror}.",
                        "Check that it is a file and who may read it.") from error


def _unusable(path: Path, code: str, message: str, remedy: str) -> StandardError:
    return StandardError(name=path.name, findings=(Finding("", code, message, remedy),))


def _unknown(name: str, message: str, remedy: str) -> StandardError:
    return StandardError(name=name or "(no name)",
                         findings=(Finding("", "unknown", message, remedy),))


def _twice(name: str, first: Path, second: Path) -> StandardError:
    return StandardError(name=name, findings=(Finding(
        "", "named_twice", f"{first} and {second} both say that they are {name}.",
        "Give the newer one its own edition, or take one file away."),))
