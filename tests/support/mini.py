"""A small house standard built in the test that needs it."""

from __future__ import annotations

HEAD = """
schema = 1
id = "mini"
edition = "1"
title = "Mini"
body = "Larkspur Bench Packing"
produce = ["peach", "nectarine"]
in_force_from = 2026-05-01
verified = true
"""
SIZING = """
[[sizing]]
basis = "diameter"
unit = "mm"
source = "house chart"
evidence = "house"
bands = [{code="S",low="50",high="60"},{code="M",low="60",high="70"},{code="L",low="70",high="80"}]
"""
FIRMNESS_STEPS = """
[[maturity.by]]
measure = "firmness"
unit = "N"
source = "house table"
evidence = "house"
steps = [{maturity="soft"},{maturity="ready",low="20"},{maturity="firm",low="40"},
         {maturity="green",low="60"}]
"""
HUE_STEPS = """
[[maturity.by]]
measure = "hue"
unit = "deg"
source = "house chart"
evidence = "house"
steps = [{maturity="soft"},{maturity="ready",low="80"},{maturity="firm",low="90"},
         {maturity="green",low="105"}]
"""
SOURCE = 'source="house",evidence="house"'


def maturity(combine: str = "softest", extra: str = "") -> str:
    return f"""
[maturity]
classes = ["green", "firm", "ready", "soft"]
combine = "{combine}"
{extra}
"""


def grade(requires: str = "", *, name: str = "one", more: str = "") -> str:
    return f"""
[[grade]]
id = "{name}"
title = "{name.capitalize()}"
requires = [{requires}]
{more}
"""


def leaf(rule: str) -> str:
    """A rule with its source, to stand in a list."""
    return "{" + rule + "," + SOURCE + "}"


def defect(kind: str, severities: str = "", permanence: str = "permanent") -> str:
    return f"""
[[defect]]
kind = "{kind}"
title = "{kind.replace("_", " ").capitalize()}"
permanence = "{permanence}"
severities = [{severities}]
"""


def level(name: str, when: str) -> str:
    return f'{{level="{name}",when={when},{SOURCE}}}'
