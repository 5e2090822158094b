"""One rule of a standard held against a sample: its verdict, its figures and its sentence.

The verdict follows the standard's named decision rule; the exact interval beside it says how much
the sample shows. The two are kept apart on purpose: an inspector's count may meet a limit that
the same count does not prove.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

from grading.intervals import Interval, clopper_pearson, fruit_needed, largest_accepted
from grading.numbers import Evidence, Sourced, number_text
from grading.standard import PackStandard

Word = Literal["meets", "fails", "cannot tell yet", "does not apply"]
MEETS: Final = "meets"
FAILS: Final = "fails"
CANNOT_TELL: Final = "cannot tell yet"
NOT_APPLICABLE: Final = "does not apply"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """The verdict of one rule.

    x, n, share, limit: counts and exact fractions, where the rule is about a share. interval:
    exact two-sided 95 %. rule: the decision rule. evidence: "shown" where the whole interval lies
    on the verdict's side of the limit. more_fruit: how many more would show it at this share; 0
    where it is shown, None where the share equals the limit or is no share. counts: False where
    another rule (a share of packages) judges this one's result.
    """

    id: str
    title: str
    verdict: Word
    sentence: str
    source: str
    tag: Evidence
    x: int | None = None
    n: int | None = None
    share: Fraction | None = None
    limit: Fraction | None = None
    interval: Interval | None = None
    rule: str = ""
    evidence: Literal["shown", "not shown", ""] = ""
    more_fruit: int | None = None
    package: str | None = None
    counts: bool = True


def plain_part(
    *, rule: Sourced, id: str, title: str, verdict: Word, why: str,
    package: str | None = None, counts: bool = True, x: int | None = None, n: int | None = None,
) -> Part:
    """A verdict without a share."""
    return Part(id=id, title=title, verdict=verdict, sentence=f"{title}: {verdict}; {why}",
                source=rule.source, tag=rule.evidence, package=package, counts=counts, x=x, n=n)


def percent_text(share: Fraction) -> str:
    """An exact limit as percent, "10" or "0.5"."""
    return number_text(share * 100)


def share_within(
    *, standard: PackStandard, x: int, n: int, limit: Fraction, upper: bool = True
) -> bool:
    """Whether x of n keeps a limit under the standard's decision rule and rounding of shares."""
    bad, allowed = (x, limit) if upper else (n - x, 1 - limit)
    decision = standard.decision
    if decision.rule != "point":
        return bad <= largest_accepted(rule=decision.rule, n=n, tolerance=allowed,
                                       level=decision.level)
    share = Fraction(x, n)
    if standard.rounding.shares == "rounded":
        share = round(share * 100, standard.rounding.share_digits) / 100
    return share <= limit if upper else share >= limit


def share_part(
    *,
    standard: PackStandard,
    rule: Sourced,
    id: str,
    title: str,
    x: int,
    n: int,
    limit: Fraction,
    maybe: int = 0,
    upper: bool = True,
    noun: str = "fruit",
    package: str | None = None,
) -> Part:
    """A counted share against its limit. maybe: further units that may belong to x.

    upper: x of n may be at most the limit, otherwise it must be at least that.
    """
    bound = f"limit {percent_text(limit)} %" if upper else f"at least {percent_text(limit)} %"
    if n == 0:
        return plain_part(rule=rule, id=id, title=title, verdict=CANNOT_TELL,
                          why=f"no {noun} looked at, {bound}", package=package, n=0, x=0)
    inside = share_within(standard=standard, x=x, n=n, limit=limit, upper=upper)
    verdict: Word = MEETS if inside else FAILS
    if share_within(standard=standard, x=x + maybe, n=n, limit=limit, upper=upper) != inside:
        verdict = CANNOT_TELL
    interval = clopper_pearson(x=x, n=n)
    share = Fraction(x, n)
    clear = {
        MEETS: interval.high <= limit if upper else interval.low >= limit,
        FAILS: interval.low > limit if upper else interval.high < limit,
    }
    shown = clear.get(verdict, False)
    side = "under" if inside == upper else "over"
    said = (f"{title} {x} of {n} = {float(share) * 100:.1f} % "
            f"({interval.low * 100:.1f}-{interval.high * 100:.1f}), {bound}: {verdict}")
    if verdict == CANNOT_TELL:
        said += f"; {maybe} more {noun} not settled"
    elif shown:
        said += "; shown"
    else:
        said += f"; {n} {noun} do not show that the lot is {side} {percent_text(limit)} %"
    if standard.decision.rule != "point":
        said += f" ({standard.decision.rule} rule)"
    more = 0 if shown else fruit_needed(x=x, n=n, tolerance=limit)
    return Part(
        id=id, title=title, verdict=verdict, sentence=said, source=rule.source, tag=rule.evidence,
        x=x, n=n, share=share, limit=limit, interval=interval, rule=standard.decision.rule,
        evidence="shown" if shown else "not shown", more_fruit=more, package=package)
