"""Cut-points of a standard moved: where they are, what moving one gives, and what is refused."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from grading.drift.counterfactual import (
    Mark,
    band_of,
    counterfactual,
    marked,
    marks_of,
    no_fruit,
    tolerance_for,
)
from grading.errors import StandardError
from grading.kernel import compile_standard
from grading.recut import Move, cut_points, recut
from grading.standard import PackStandard, load_standard
from tests.support.fruit import batch_of
from tests.support.mini import FIRMNESS_STEPS, HEAD, SIZING, grade, leaf, maturity

INCHES = """
[[sizing]]
basis = "diameter"
unit = "in"
source = "house chart"
evidence = "R"
bands = [{code="S",low="2 1/4",high="2 3/8"},{code="M",low="2 3/8",high="2 1/2"},
         {code="L",low="2 1/2"}]
"""
OVERLAPPING = """
[[sizing]]
basis = "circumference"
unit = "mm"
overlap = true
source = "house chart"
evidence = "house"
bands = [{code="a",low="150",high="200"},{code="b",low="180",high="230"}]
"""
PACKS = """
[[pack]]
id = "tray"
title = "Tray"
sizes = ["M", "L"]

[[pack]]
id = "bag"
title = "Bag"
"""
UNDERSIZE = """
[[tolerance]]
id = "undersize"
title = "Undersize"
percent = "10"
counts = { groups = ["undersize"] }
source = "house"
evidence = "house"
"""
REQUIRES = ", ".join((
    leaf('measure="sugar",at_least="9",unit="brix"'),
    "{all_of=[" + leaf('measure="blush",above="1/4",unit="fraction"') + "]}",
    "{not=" + leaf('measure="diameter",below="50",unit="mm"') + "}",
    leaf('maturity=["firm","ready"]')))
FULL = load_standard(text=HEAD + SIZING + OVERLAPPING + maturity() + FIRMNESS_STEPS
                     + grade(REQUIRES) + PACKS + UNDERSIZE)


def move(at: str, to: str, *, measure: str = "diameter", unit: str = "mm") -> Move:
    return Move(measure, Fraction(at), Fraction(to), unit)


def moved(*moves: Move, standard: PackStandard = FULL) -> PackStandard:
    return recut(standard=standard, moves=moves, edition="1-cut", basis="diameter")


def refused(*moves: Move, standard: PackStandard = FULL) -> list[tuple[str, str]]:
    with pytest.raises(StandardError) as caught:
        moved(*moves, standard=standard)
    assert all(f.message for f in caught.value.findings)
    return [(f.pointer, f.code) for f in caught.value.findings]


def test_cut_points_are_what_grades_a_fruit_each_once() -> None:
    listed = [(p.measure, str(p.at), p.unit, p.below, p.above)
              for p in cut_points(standard=FULL, basis="diameter")]
    assert listed == [
        ("blush", "1/4", "fraction", "", ""),
        ("diameter", "50", "mm", "below scale", "S"), ("diameter", "60", "mm", "S", "M"),
        ("diameter", "70", "mm", "M", "L"), ("diameter", "80", "mm", "L", "above scale"),
        ("firmness", "20", "N", "soft", "ready"), ("firmness", "40", "N", "ready", "firm"),
        ("firmness", "60", "N", "firm", "green"), ("sugar", "9", "brix", "", "")]
    bare = load_standard(text=HEAD + grade())
    assert cut_points(standard=bare, basis="diameter") == ()


def test_a_size_cut_moves_at_both_bands_and_says_that_the_house_moved_it() -> None:
    found = moved(move("60", "58.5"))
    table = found.table("diameter")
    assert table is not None
    assert [(b.code, b.low, b.high) for b in table.bands] == [
        ("S", 50, Fraction("58.5")), ("M", Fraction("58.5"), 70), ("L", 70, 80)]
    assert (found.edition, found.name) == ("1-cut", "mini@1-cut")
    assert table.source == "house chart; moved by hand for a time: diameter 60 to 58.5 mm"
    assert found.digest() != FULL.digest()
    names = [compile_standard(standard=s) for s in (FULL, found)]
    assert names[0].size_names == names[1].size_names
    assert names[0].pack_names == names[1].pack_names


def test_the_end_of_the_scale_a_step_and_limits_inside_rules_move_too() -> None:
    found = moved(move("80", "82"), move("50", "49"),
                  move("40", "45", measure="firmness", unit="N"),
                  move("9", "8.5", measure="sugar", unit="brix"),
                  move("1/4", "1/5", measure="blush", unit="fraction"))
    table = found.table("diameter")
    assert table is not None and table.bands[-1].high == 82 and table.bands[0].low == 49
    assert found.maturity is not None
    assert [s.low for s in found.maturity.by[0].steps] == [None, 20, 45, 60]
    sugar, blush, small, _ = found.grade[0].requires
    assert sugar.at_least == Fraction("8.5")  # type: ignore[union-attr]
    assert sugar.evidence == "house"  # type: ignore[union-attr]
    assert blush.all_of[0].above == Fraction(1, 5)  # type: ignore[union-attr]
    assert small.not_.below == 49  # type: ignore[union-attr]  # the same cut in a rule
    other = next(t for t in found.sizing if t.overlap)
    assert other == next(t for t in FULL.sizing if t.overlap)


def test_a_cut_is_found_in_another_unit_and_at_its_quantum() -> None:
    """2 3/8 in is 60.325 mm; fruit are measured to 0.01 mm, so 60.32 is that cut."""
    inches = load_standard(text=HEAD + INCHES + grade())
    for at in (move("60.325", "59"), move("60.32", "59")):
        table = moved(at, standard=inches).table("diameter")
        assert table is not None
        assert table.bounds_si(table.bands[1]) == (59, Fraction("63.5"))
        assert table.evidence == "house"
    by_mark = moved(Move("diameter", Fraction(5, 2), Fraction(39, 16), "in"), standard=inches)
    assert by_mark.table("diameter").bands[2].low == Fraction(39, 16)  # type: ignore[union-attr]


@pytest.mark.parametrize(("moves", "said"), [
    ((move("61", "58"),), ("/0/at", "no_such_cut")),
    ((move("60", "60"),), ("/0/to", "not_moved")),
    ((move("60", "58"), move("60", "59")), ("/1/at", "named_twice")),
    ((move("60", "58", measure="girth"),), ("/0/measure", "measure")),
    ((move("60", "58", unit="lbf"),), ("/0/unit", "unit")),
    ((move("5", "4", measure="mass", unit="g"),), ("/0/at", "no_such_cut")),
    ((move("60", "50"),), ("/0/to", "not_ordered")),
    ((move("60", "70"),), ("/0/to", "not_ordered")),
    ((move("80", "69"),), ("/0/to", "not_ordered")),
    ((move("50", "65"),), ("/0/to", "not_ordered")),
    ((move("40", "61", measure="firmness", unit="N"),), ("/0/to", "not_ordered")),
])
def test_what_cannot_be_is_refused(moves: tuple[Move, ...], said: tuple[str, str]) -> None:
    assert said in refused(*moves)


def test_neighbours_moved_across_each_other_are_both_told() -> None:
    assert refused(move("60", "66"), move("70", "64")) == [
        ("/0/to", "not_ordered"), ("/1/to", "not_ordered")]
    assert moved(move("60", "66"), move("70", "75")).table("diameter") is not None


def test_a_limit_beyond_any_fruit_is_refused_by_the_loader_s_proofs() -> None:
    assert refused(move("80", "9999")) == [("", "limit_out_of_range")]
    only = load_standard(text=HEAD + SIZING.replace(',high="80"', "") + grade())
    assert refused(move("70", "9999"), standard=only)[0][1] == "limit_out_of_range"


def test_a_range_with_one_neighbour_is_named() -> None:
    with pytest.raises(StandardError, match="Choose a value above 70 mm"):
        moved(move("80", "70"))
    with pytest.raises(StandardError, match="Choose a value below 60 mm"):
        moved(move("50", "60"))
    with pytest.raises(StandardError, match="Choose a value between 50 and 70 mm"):
        moved(move("60", "50"))


OWN = compile_standard(standard=load_standard(
    text=HEAD + SIZING + grade() + PACKS + UNDERSIZE))


def graded(*diameters_mm: float, to: str, at: str = "60") -> tuple[object, ...]:
    rule = compile_standard(standard=moved(move(at, to), standard=OWN.standard))
    batch = batch_of([{"diameter": round(100 * d)} for d in diameters_mm])
    return batch, rule.grade(batch=batch)


def test_fruit_between_the_cuts_are_counted_with_where_they_would_have_gone() -> None:
    batch, verdicts = graded(57.9, 58.0, 59.99, 60.0, 75.0, to="58")
    counts, which = counterfactual(batch=batch, verdicts=verdicts, own=OWN)  # type: ignore[arg-type]
    assert which.tolist() == [False, True, True, False, False]
    assert (counts.n, counts.changed, counts.size, counts.maturity, counts.grade, counts.pack) == (
        5, 2, 2, 0, 0, 2)
    tray, bag = (OWN.pack_names.index(n) for n in ("tray", "bag"))
    assert counts.moves[tray, bag] == 2 and counts.moves.sum() == 5
    both = counts.merge(no_fruit(own=OWN)).merge(counts)
    assert (both.n, both.changed, both.moves[tray, bag]) == (10, 4, 4)


def test_a_lowered_cut_makes_boxes_of_the_original_minimum_undersize() -> None:
    up, closed = marks_of(standard=OWN.standard, move=move("60", "58"), basis="diameter")
    assert (up.low, up.high, up.into, up.side) == (60, None, (58, None), "undersize")
    assert (closed.low, closed.high, closed.into) == (60, 70, (58, 70))
    # Of six: one under the moved cut, two under the mark, one past the closed range, one too
    # large for any class, one not measured.
    batch, verdicts = graded(57.9, 58.0, 59.99, 60.0, 72.0, 81.0, to="58")
    assert marked(batch=batch, verdicts=verdicts, mark=up, own=OWN) == (2, 5)  # type: ignore[arg-type]
    assert marked(batch=batch, verdicts=verdicts, mark=closed, own=OWN) == (2, 3)  # type: ignore[arg-type]
    wide = marks_of(standard=OWN.standard, move=move("60", "58"), basis="diameter",
                    upper=Fraction(75))[1]
    assert marked(batch=batch, verdicts=verdicts, mark=wide, own=OWN) == (2, 4)  # type: ignore[arg-type]


def test_a_raised_cut_makes_boxes_below_it_oversize() -> None:
    (mark,) = marks_of(standard=OWN.standard, move=move("60", "63"), basis="diameter")
    assert (mark.low, mark.high, mark.into, mark.side) == (50, 60, (50, 63), "oversize")
    batch, verdicts = graded(49.9, 50.0, 59.99, 60.0, 62.99, 63.0, to="63")
    assert marked(batch=batch, verdicts=verdicts, mark=mark, own=OWN) == (2, 4)  # type: ignore[arg-type]


def test_marks_are_of_sizes_and_of_fruit_that_were_measured_and_packed() -> None:
    sugar = move("9", "8", measure="sugar", unit="brix")
    assert marks_of(standard=FULL, move=sugar, basis="diameter") == ()
    assert marks_of(standard=FULL, move=move("60", "58"), basis="mass") == ()
    (lowest,) = marks_of(standard=FULL, move=move("50", "52"), basis="diameter")
    assert lowest.low is None
    (only_up,) = marks_of(standard=FULL, move=move("80", "79"), basis="diameter")
    assert only_up.high is None
    assert len(marks_of(standard=FULL, move=move("60", "58"), basis="diameter",
                        upper=Fraction(55))) == 1
    mark = Mark("diameter", "undersize", Fraction(60), None, (Fraction(58), None))
    batch = batch_of([{"sugar": 900}])
    assert marked(batch=batch, verdicts=OWN.grade(batch=batch), mark=mark, own=OWN) == (0, 0)
    picky = compile_standard(standard=load_standard(text=HEAD + SIZING + grade(
        leaf('measure="diameter",at_least="65",unit="mm"'))))
    batch = batch_of([{"diameter": 5900}, {"diameter": 6600}])
    assert marked(batch=batch, verdicts=picky.grade(batch=batch), mark=mark, own=picky) == (0, 1)
    high = compile_standard(standard=load_standard(
        text=HEAD + SIZING.replace('basis', 'closed = "high"\nbasis', 1) + grade()))
    edge = batch_of([{"diameter": 5800}, {"diameter": 5801}, {"diameter": 6000},
                     {"diameter": 6001}])
    assert marked(batch=edge, verdicts=high.grade(batch=edge), mark=mark, own=high) == (2, 3)


def test_bands_of_a_share_begin_past_the_tolerance_and_past_twice_it() -> None:
    """7 CFR 46.45: over the tolerance, over twice the tolerance; exactly at it is not over."""
    assert [band_of(wrong=x, n=100, percent=Fraction(10)) for x in (0, 10, 11, 20, 21)] == [
        "within", "within", "serious", "serious", "very_serious"]
    assert band_of(wrong=0, n=0, percent=Fraction(10)) == "within"
    found = tolerance_for(standard=OWN.standard, side="undersize")
    assert found is not None and found.percent == 10
    assert tolerance_for(standard=OWN.standard, side="oversize") is None
    both = load_standard(text=HEAD + SIZING + grade() + UNDERSIZE.replace(
        '["undersize"]', '["undersize", "oversize"]'))
    assert tolerance_for(standard=both, side="oversize") is not None
    other = load_standard(text=HEAD + SIZING + grade() + UNDERSIZE.replace(
        '["undersize"]', '["undersize", "defect"]'))
    assert tolerance_for(standard=other, side="undersize") is None


def test_shares_of_a_normal_lot_are_those_of_the_trade_scenario() -> None:
    """Sizes N(66, 5) mm, 63.5 mm lowered to 62.0 mm: 9.7 % in another class, 12.3 % undersize and
    up, 17 % in the closed range to 69.85 mm (2 3/4 in): figures of a scenario written for the
    trade, here from exact quantiles."""
    from statistics import NormalDist

    standard = load_standard(text=HEAD + SIZING.replace("60", "63.5").replace(
        "70", "69.85").replace('high="80"', 'high="99"') + grade())
    own = compile_standard(standard=standard)
    lowered = move("63.5", "62")
    rule = compile_standard(standard=moved(lowered, standard=standard))
    n = 20_000
    law = NormalDist(66, 5)
    batch = batch_of([{"diameter": round(100 * law.inv_cdf((k + 0.5) / n))} for k in range(n)])
    verdicts = rule.grade(batch=batch)
    counts, which = counterfactual(batch=batch, verdicts=verdicts, own=own)
    assert counts.changed == int(np.count_nonzero(which))
    assert round(100 * counts.changed / n, 1) == 9.7
    shares = [marked(batch=batch, verdicts=verdicts, mark=m, own=own)
              for m in marks_of(standard=standard, move=lowered, basis="diameter")]
    # Every fruit has the one grade, so those above 62.0 mm are boxed.
    assert round(100 * shares[0][0] / shares[0][1], 1) == 12.3
    assert round(100 * shares[1][0] / shares[1][1]) == 17
