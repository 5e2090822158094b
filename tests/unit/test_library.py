"""Standards and profiles are found by name; adding one is adding a file."""

from __future__ import annotations

from pathlib import Path

import pytest

from grading.errors import StandardError
from service.library import Library, find_profile, find_standard, shipped_standards

SHIPPED = Path(__file__).parents[2] / "grading"


def _copy(folder: Path, *, edition: str, since: str, name: str = "own.toml") -> Path:
    text = (SHIPPED / "standards" / "house-tree-ripe-3.toml").read_text(encoding="utf-8")
    text = text.replace('edition = "3"', f'edition = "{edition}"', 1)
    text = text.replace("in_force_from = 2026-05-01", f"in_force_from = {since}", 1)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_shipped_standards_are_all_there() -> None:
    assert [s.name for s in shipped_standards()] == [
        "eu-peaches@2011", "eu-peaches@2023", "house-long-distance@3", "house-tree-ripe@3",
        "us-nectarines@2004", "us-peaches@2004", "wa-peaches@2007"]


def test_without_an_edition_the_latest_is_meant() -> None:
    assert find_standard("eu-peaches").edition == "2023"
    assert find_standard("eu-peaches@2011").edition == "2011"


def test_adding_a_standard_is_adding_a_file(tmp_path: Path) -> None:
    library = Library(extra_dirs=[tmp_path])
    assert library.standard("house-tree-ripe").edition == "3"
    _copy(tmp_path, edition="10", since="2027-05-01")
    assert library.standard("house-tree-ripe").edition == "10"
    assert library.standard("house-tree-ripe@3").edition == "3"


def test_extra_folders_may_hold_standards_and_cultivars(tmp_path: Path) -> None:
    _copy(tmp_path / "standards", edition="4", since="2027-05-01")
    profile = (SHIPPED / "cultivars" / "ember-lass.toml").read_text(encoding="utf-8")
    (tmp_path / "cultivars").mkdir()
    (tmp_path / "cultivars" / "new.toml").write_text(
        profile.replace('id = "ember-lass"', 'id = "late-ember"'), encoding="utf-8")
    assert find_standard("house-tree-ripe", extra_dirs=[tmp_path]).edition == "4"
    assert find_profile("late-ember", extra_dirs=[tmp_path]).title == "Ember Lass"


def test_a_file_may_be_named_by_its_path(tmp_path: Path) -> None:
    path = _copy(tmp_path, edition="7", since="2027-05-01")
    assert find_standard(str(path)).name == "house-tree-ripe@7"
    assert find_profile(str(SHIPPED / "cultivars" / "cobble-gold.toml")).melting == "non_melting"


def test_a_name_from_outside_never_opens_a_path(tmp_path: Path) -> None:
    path = _copy(tmp_path, edition="7", since="2027-05-01")
    with pytest.raises(StandardError, match="There is no pack standard"):
        Library().standard(str(path))


@pytest.mark.parametrize(("name", "words"), [
    ("us-pears", "Choose one of eu-peaches, house-long-distance"),
    ("", "There is no pack standard ''"),
    ("eu-peaches@1999", "Editions on hand: 2011, 2023"),
    ("missing.toml", "to use a shipped standard give its id instead"),
])
def test_unknown_standards_say_what_to_do(name: str, words: str) -> None:
    with pytest.raises(StandardError) as caught:
        find_standard(name)
    assert words in str(caught.value)


def test_unknown_cultivars_say_what_to_do() -> None:
    with pytest.raises(StandardError, match="Choose one of cobble-gold, ember-lass"):
        find_profile("no-such-peach")


def test_two_files_may_not_claim_one_edition(tmp_path: Path) -> None:
    _copy(tmp_path, edition="3", since="2026-05-01")
    with pytest.raises(StandardError, match="both say that they are house-tree-ripe@3"):
        Library(extra_dirs=[tmp_path]).standards()


def test_two_profiles_may_not_claim_one_name(tmp_path: Path) -> None:
    profile = (SHIPPED / "cultivars" / "ember-lass.toml").read_text(encoding="utf-8")
    (tmp_path / "cultivars").mkdir()
    (tmp_path / "cultivars" / "again.toml").write_text(profile, encoding="utf-8")
    with pytest.raises(StandardError, match="both say that they are ember-lass"):
        Library(extra_dirs=[tmp_path]).profiles()


def test_files_that_cannot_be_read_say_so(tmp_path: Path) -> None:
    broken = tmp_path / "latin.toml"
    broken.write_bytes(b'title = "p\xeache"')
    with pytest.raises(StandardError, match="Save the file as UTF-8"):
        find_standard(str(broken))
    folder = tmp_path / "folder.toml"
    folder.mkdir()
    with pytest.raises(StandardError, match="cannot be read"):
        find_standard(str(folder))


@pytest.mark.parametrize(("profile", "traits"), [
    ("ember-lass", ("peach", "yellow", "melting", "usable")),
    ("rosalind-red", ("peach", "yellow", "melting", "not_usable")),
    ("pale-meridian", ("peach", "white", "melting", "usable")),
    ("cobble-gold", ("peach", "yellow", "non_melting", "usable")),
    ("tansy-flare", ("nectarine", "yellow", "melting", "usable")),
    ("yellow-melting-peach", ("peach", "yellow", "melting", "usable")),
    ("white-melting-peach", ("peach", "white", "melting", "usable")),
    ("solid-red-peach", ("peach", "yellow", "melting", "not_usable")),
    ("non-melting-peach", ("peach", "yellow", "non_melting", "usable")),
    ("yellow-nectarine", ("nectarine", "yellow", "melting", "usable")),
    ("white-nectarine", ("nectarine", "white", "melting", "usable")),
])
def test_shipped_profiles(profile: str, traits: tuple[str, ...]) -> None:
    found = find_profile(profile)
    assert (found.produce, found.flesh, found.melting, found.ground_colour) == traits
    assert len(Library().profiles()) == 11
