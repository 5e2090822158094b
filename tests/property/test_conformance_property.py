"""Laws of lot verdicts: a worse sample never reads better, and the order of fruit says nothing."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from grading.conformance import assess
from grading.declared import Declared
from grading.faults import SampleFruit
from grading.lot_rules import Reserve
from grading.standard import Decision, PackStandard
from grading.tolerance import count_tolerances
from tests.support.sample import compiled, fault, plain_fruit, standard

FAULTS = (
    fault("decay", severity="serious", permanence="condition"), fault("scab"),
    fault("scab", severity="serious"), fault("bruise", permanence="condition"),
    fault("worms", severity="serious"), fault("soft", "maturity", "none", "condition"),
    fault("undersize", "undersize", "none", "condition"), fault("bruise", open=True),
)
fruit = st.builds(
    lambda faults, package: plain_fruit(*faults, package=package),
    st.lists(st.sampled_from(FAULTS), max_size=3, unique=True),
    st.sampled_from([None, "b1", "b2"]))
samples = st.lists(fruit, min_size=1, max_size=60)
declared = st.builds(
    Declared, grade=st.just("us_no1"), stage=st.sampled_from(["shipping_point", "destination"]),
    net_weight_g=st.sampled_from([None, 4000, 9000]))


@given(sample=samples, worse=fruit, said=declared,
       rule=st.sampled_from(["point", "aql", "confidence"]))
def test_a_further_counted_fruit_never_turns_fails_into_meets(
    sample: list[SampleFruit], worse: SampleFruit, said: Declared, rule: str
) -> None:
    ruled = compiled("us-peaches-2004", decision=Decision.model_validate({"rule": rule}))
    before = assess(compiled=ruled, declared=said, fruit=sample)
    after = assess(compiled=ruled, declared=said, fruit=[*sample, worse])
    for one in count_tolerances(standard=ruled.standard, declared=said, fruit=[*sample, worse]):
        if len(sample) in one.certain and before.part(one.tolerance.id).verdict == "fails":
            assert after.part(one.tolerance.id).verdict == "fails"


@given(data=st.data(), sample=samples, said=declared)
def test_the_order_of_the_fruit_says_nothing(
    data: st.DataObject, sample: list[SampleFruit], said: Declared
) -> None:
    peach = compiled("us-peaches-2004")
    mixed = data.draw(st.permutations(sample))
    one = assess(compiled=peach, declared=said, fruit=sample)
    other = assess(compiled=peach, declared=said, fruit=mixed)
    assert one.verdict == other.verdict
    assert {(p.id, p.package): p for p in one.parts} == {(p.id, p.package): p for p in other.parts}


def reserved() -> PackStandard:
    total = standard("wa-peaches-2007").tolerance[0]
    return standard("wa-peaches-2007").model_copy(update={"tolerance": (
        total.model_copy(update={"reserve": Reserve(
            percent="2", kinds=("soft",), stages=("destination",))}),)})


@given(sample=samples)
def test_a_reserve_never_makes_a_verdict_worse(sample: list[SampleFruit]) -> None:
    peach = compiled("wa-peaches-2007", tolerance=reserved().tolerance)
    there = Declared(grade="wa_fancy", stage="destination")
    with_it = assess(compiled=peach, declared=there, fruit=sample).part("total")
    without = assess(compiled=peach, declared=replace(there, stage="shipping_point"),
                     fruit=sample).part("total")
    assert (without.verdict, with_it.verdict) != ("meets", "fails")
    assert without.x == with_it.x
