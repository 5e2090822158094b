"""The alarm machine: its states, delays and deadband, and what people do to alarms.

The states and what leads from one to another are those of ANSI/ISA-18.2 and IEC 62682 (from
memory); one-shot and timed shelving with a longest time are those of OPC UA part 9, 5.8.
The figures are those of the definitions in the test.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from service.alarms import commands
from service.alarms.definitions import DEFINITIONS, PRIORITIES, read_definitions
from service.alarms.engine import step
from service.alarms.model import Alarms, Facts, Reading
from service.alarms.rows import alarm_of, event_of, row_of
from tests.support.alarms import KINDS, Driven

STOPPED = Facts(stopped=frozenset({"line-1"}))
OTHER_STOPPED = Facts(stopped=frozenset({"line-2"}), changing=frozenset({"line-1"}))


def _raised() -> Driven:
    driven = Driven()
    driven.run(11, plain=12)
    assert driven.alarm().state == "unacknowledged"
    return driven


def test_it_is_raised_once_the_condition_has_lasted() -> None:
    driven = Driven()
    assert driven.run(5, plain=12) == []
    assert driven.run(1, plain=3) == []
    assert driven.run(10, plain=12) == []
    assert driven.run(30, plain=12) == ["plain:raised@1016"]
    alarm = driven.alarm()
    assert (alarm.id, alarm.value, alarm.limit, alarm.line) == (1, 12, 10, "line-1")


def test_the_limit_itself_is_over_and_the_deadband_holds() -> None:
    """Limit 10, deadband 2: over at 10, still over at 8.1, no more at 8."""
    driven = Driven()
    assert driven.run(11, plain=10) == ["plain:raised@1010"]
    assert driven.run(100, plain=8.1) == []
    assert driven.run(21, plain=8) == ["plain:returned@1131"]


def test_a_reading_may_bring_its_limit() -> None:
    driven = Driven()
    for value, limit, over in ((0.5, 0.4, True), (0.5, 0.6, False)):
        state, _ = step(driven.state, now_ms=0, steady_ms=0, definitions=KINDS, readings=[
            Reading(kind="plain", subject="s", value=value, limit=limit)])
        assert (("plain", "s") in state.by_key) is over


def test_acknowledged_it_ends_when_the_condition_has_been_over_for_the_off_delay() -> None:
    driven = _raised()
    done = driven.do(commands.acknowledge, person="M. Orrin", note="on my way")
    assert (done.what, done.alarm.state, done.person, done.note, done.announced) == (
        "acknowledged", "acknowledged", "M. Orrin", "on my way", False)
    assert driven.run(20, plain=1) == []
    assert driven.run(5, plain=1) == ["plain:ended@1031"]
    assert driven.log[-1].alarm.id == 1
    assert driven.state.open() == []
    assert driven.state.next_id == 2


def test_what_returns_unseen_stays_until_somebody_has_seen_it() -> None:
    driven = _raised()
    assert driven.run(500, plain=1) == ["plain:returned@1031"]
    assert driven.alarm().state == "returned"
    done = driven.do(commands.acknowledge, person="M. Orrin")
    assert done.alarm.state == "normal" and done.alarm.id == 1
    assert driven.state.open() == []
    with pytest.raises(commands.NotNow):
        driven.do(commands.acknowledge, person="M. Orrin")


def test_a_subject_without_a_reading_is_quiet() -> None:
    driven = _raised()
    assert driven.run(30) == ["plain:returned@1031"]


def test_it_does_not_call_again_within_a_minute() -> None:
    """Raised at 1010; over again at 1033 and for 10 s at 1043, but called only at 1070."""
    driven = _raised()
    driven.do(commands.acknowledge, person="M. Orrin")
    assert driven.run(22, plain=1) == ["plain:ended@1031"]
    assert driven.run(60, plain=12) == ["plain:raised@1070"]
    assert driven.alarm().id == 2
    driven.run(30, plain=1)
    assert driven.alarm().state == "returned"
    assert driven.run(60, plain=12) == ["plain:raised_again@1133"]
    assert driven.alarm().id == 2


def test_a_stopped_line_keeps_it_back_and_its_delay_begins_anew() -> None:
    driven = Driven()
    assert driven.run(100, plain=12, facts=STOPPED) == []
    assert driven.run(20, plain=12, facts=OTHER_STOPPED) == ["plain:raised@1109"]
    assert driven.run(5, plain=12, facts=STOPPED) == ["plain:suppressed@1120"]
    assert driven.run(5, plain=12) == ["plain:resumed@1125"]
    assert driven.alarm().state == "unacknowledged"
    driven.do(commands.acknowledge, person="M. Orrin")
    driven.run(1, plain=12, facts=STOPPED)
    assert driven.run(1, plain=12) == ["plain:resumed@1131"]
    assert driven.alarm().state == "acknowledged"
    assert not any(t.announced for t in driven.log[1:])


def test_what_ends_while_it_is_kept_back() -> None:
    driven = _raised()
    driven.run(1, plain=12, facts=STOPPED)
    done = driven.do(commands.acknowledge, person="M. Orrin")
    assert (done.alarm.state, done.alarm.acknowledged) == ("suppressed", True)
    with pytest.raises(commands.NotNow):
        driven.do(commands.acknowledge, person="M. Orrin")
    assert driven.run(30, plain=1, facts=STOPPED) == ["plain:ended@1032"]
    unseen = _raised()
    unseen.run(1, plain=12, facts=STOPPED)
    assert unseen.run(1, plain=1) == ["plain:returned@1012"]


def test_what_has_returned_is_not_called_for_because_the_line_starts() -> None:
    driven = _raised()
    driven.run(22, plain=1)
    assert driven.run(200, plain=12, facts=STOPPED) == []
    assert driven.run(20, plain=12) == ["plain:raised_again@1242"]


def test_a_worse_one_of_the_same_subject_keeps_it_back() -> None:
    driven = Driven()
    assert driven.run(30, worse=12, milder=12) == ["worse:raised@1000"]
    assert driven.run(1, worse=1, milder=12) == ["worse:returned@1030"]
    assert driven.run(30, worse=1, milder=12) == ["milder:raised@1039"]


def test_a_timed_shelf_calls_again_when_its_time_is_over() -> None:
    driven = _raised()
    done = driven.do(commands.shelve, until_ms=(driven.now_s + 100) * 1000, one_shot=False,
                     person="M. Orrin", note="known")
    assert (done.what, done.alarm.state, done.announced) == ("shelved", "shelved", False)
    assert driven.run(30, plain=1) == []
    assert driven.run(70, plain=12) == []
    assert driven.run(1, plain=12) == ["plain:raised_again@1111"]
    assert driven.log[-1].announced


def test_a_shelf_whose_condition_is_over_ends_quietly() -> None:
    driven = _raised()
    driven.do(commands.shelve, until_ms=(driven.now_s + 100) * 1000, one_shot=False,
              person="M. Orrin", note="known")
    assert driven.run(101, plain=1) == ["plain:ended@1111"]
    assert not driven.log[-1].announced


def test_a_one_shot_shelf_ends_with_its_condition() -> None:
    driven = _raised()
    driven.do(commands.shelve, until_ms=(driven.now_s + 3600) * 1000, one_shot=True,
              person="M. Orrin", note="known")
    assert driven.run(300, plain=12) == []
    assert driven.run(21, plain=1) == ["plain:ended@1331"]


def test_a_shelf_that_is_over_while_the_line_stands_stays_back() -> None:
    driven = _raised()
    driven.do(commands.shelve, until_ms=(driven.now_s + 60) * 1000, one_shot=False,
              person="M. Orrin", note="known")
    assert driven.run(61, plain=12, facts=STOPPED) == ["plain:suppressed@1071"]


def test_a_shelf_waits_for_the_on_delay_of_what_has_just_come_back() -> None:
    driven = _raised()
    driven.do(commands.shelve, until_ms=(driven.now_s + 60) * 1000, one_shot=False,
              person="M. Orrin", note="known")
    driven.run(58, plain=1)
    assert driven.run(20, plain=12) == ["plain:raised_again@1079"]


@pytest.mark.parametrize("after_s", [59, 8 * 3600 + 1])
def test_a_shelf_holds_from_a_minute_to_one_shift(after_s: int) -> None:
    driven = _raised()
    with pytest.raises(ValueError, match="one shift"):
        driven.do(commands.shelve, until_ms=(driven.now_s + after_s) * 1000, one_shot=False,
                  person="M. Orrin", note="known")


def test_unshelving_brings_it_back_without_a_call() -> None:
    driven = _raised()
    shelf = {"until_ms": (driven.now_s + 100) * 1000, "one_shot": False, "person": "M. Orrin",
             "note": "known"}
    driven.do(commands.shelve, **shelf)
    with pytest.raises(commands.NotNow):
        driven.do(commands.shelve, **shelf)
    done = driven.do(commands.unshelve, person="R. Vale")
    assert (done.what, done.alarm.state, done.announced) == ("unshelved", "unacknowledged", False)
    with pytest.raises(commands.NotNow):
        driven.do(commands.unshelve, person="R. Vale")
    driven.do(commands.shelve, **shelf)
    driven.run(1, plain=1)
    assert driven.do(commands.unshelve, person="R. Vale").alarm.state == "normal"
    assert driven.state.open() == []


def test_what_has_returned_is_not_shelved() -> None:
    driven = _raised()
    driven.run(21, plain=1)
    with pytest.raises(commands.NotNow):
        driven.do(commands.shelve, until_ms=(driven.now_s + 100) * 1000, one_shot=False,
                  person="M. Orrin", note="known")


def test_out_of_service_it_says_nothing_until_it_is_put_back() -> None:
    driven = _raised()
    done = driven.do(commands.take_out, person="M. Orrin", note="lens is being changed")
    assert (done.what, done.alarm.state) == ("taken_out", "out_of_service")
    with pytest.raises(commands.NotNow):
        driven.do(commands.take_out, person="M. Orrin", note="again")
    assert driven.run(200, plain=1) + driven.run(200, plain=12) == []
    assert driven.do(commands.put_back, person="M. Orrin").alarm.state == "unacknowledged"
    with pytest.raises(commands.NotNow):
        driven.do(commands.put_back, person="M. Orrin")
    driven.do(commands.take_out, person="M. Orrin", note="again")
    driven.run(1, plain=1)
    driven.do(commands.put_back, person="M. Orrin")
    assert driven.state.open() == []


@pytest.mark.parametrize("set_s", [-3600, -30, 30, 3600])
def test_a_clock_that_is_set_changes_no_delay_and_no_shelf(set_s: int) -> None:
    """Raised after 10 s, over after 20, called again a minute later, shelved for a hundred: as the
    tests above have it for a clock that nobody sets. What is kept is the wall's time."""
    driven = Driven()
    driven.run(5, plain=12)
    driven.set_s = set_s
    assert driven.run(6, plain=12) == ["plain:raised@1010"]
    assert driven.log[-1].at_ms == driven.alarm().raised_ms == (1010 + set_s) * 1000
    driven.run(5, plain=1)
    driven.set_s = 0
    assert driven.run(17, plain=1) == ["plain:returned@1031"]
    assert driven.run(9, plain=12) == []
    driven.set_s = set_s
    assert driven.run(60, plain=12) == ["plain:raised_again@1070"]
    driven.do(commands.shelve, until_ms=(driven.now_s + set_s + 100) * 1000, one_shot=False,
              person="M. Orrin", note="known")
    driven.run(1, plain=12)
    driven.set_s = 0
    assert driven.run(120, plain=12) == ["plain:raised_again@1202"]


@pytest.mark.parametrize("set_s", [-3600, 3600])
def test_a_clock_that_is_set_during_a_restart(set_s: int) -> None:
    """What is known of a call and of a shelf is the wall's time only. Set back, the call counts as
    just made and the shelf holds no longer than a shelf may; set forward, both are over."""
    driven = _raised()
    driven.state = driven.state.put(alarm_of(row_of(driven.log[-1]), steady_ms=0))
    driven.set_s = set_s
    assert driven.run(21, plain=1) == ["plain:returned@1031"]
    assert driven.run(70, plain=12) == [
        f"plain:raised_again@{1011 + 60 if set_s < 0 else 1032 + 10}"]
    shelved = driven.do(
        commands.shelve, until_ms=(driven.now_s + driven.set_s + 8 * 3600) * 1000,
        one_shot=False, person="M. Orrin", note="known")
    driven.state = driven.state.put(alarm_of(row_of(shelved), steady_ms=driven.now_s * 1000))
    driven.set_s += set_s
    began_s = driven.now_s
    (found,) = driven.run(8 * 3600 + 1, plain=12)
    assert found == f"plain:raised_again@{began_s + 8 * 3600 - max(set_s, 0)}"


def test_a_restart_keeps_acknowledgements_shelves_and_begins_delays_anew() -> None:
    driven = _raised()
    kept = driven.do(commands.acknowledge, person="M. Orrin")
    back = alarm_of(row_of(kept), steady_ms=driven.now_s * 1000)
    assert back == replace(driven.alarm(), turned_ms=driven.now_s * 1000, called_ms=None)
    shelved = driven.do(commands.shelve, until_ms=(driven.now_s + 100) * 1000, one_shot=True,
                        person="M. Orrin", note="known")
    back = alarm_of(row_of(shelved), steady_ms=driven.now_s * 1000)
    assert back == replace(
        driven.alarm(), turned_ms=driven.now_s * 1000, called_ms=None, over=False)
    driven.state = Alarms(next_id=2, by_key={back.key: back})
    assert driven.run(20, plain=1) == []
    assert driven.run(1, plain=1) == ["plain:ended@1031"]
    event = event_of(driven.log[-1])
    assert (event.alarm, event.what, event.state, event.person) == (1, "ended", "normal", "")
    assert row_of(driven.log[-1]).ended_ms == 1_031_000


def test_readings_that_are_no_numbers_or_of_no_kind_are_refused() -> None:
    with pytest.raises(ValueError, match="no reading"):
        Reading(kind="plain", subject="s", value=math.nan)
    with pytest.raises(KeyError):
        Driven().run(1, nothing=1)


def test_the_shipped_kinds_are_whole() -> None:
    """Drift stays an advisory until a response is defined (design D10); silence is 10 s."""
    assert {d.priority for d in DEFINITIONS.values()} == set(PRIORITIES)
    assert DEFINITIONS["drift"].priority == "advisory"
    silent = DEFINITIONS["sensor_silent"]
    assert silent.limit + silent.on_delay_s == 10
    assert [DEFINITIONS[f"storage_{k}"].limit for k in ("filling", "low", "critical")] == [
        0.8, 0.9, 0.95]
    for kind in DEFINITIONS.values():
        for lang in ("en", "es"):
            for text in kind.text(lang).model_dump().values():
                assert text.format(subject="", line="", lot="", value="", limit="")
        assert kind.en != kind.es


def test_a_kind_stands_after_those_it_yields_to() -> None:
    one = KINDS["plain"].model_dump(mode="json", exclude={"kind", "yields_to", "suppressed_while"})
    lines = [f"{k} = {v!r}" for k, v in one.items() if not isinstance(v, dict)]
    tables = [f"[a.{lang}]\n" + "\n".join(f'{k} = "{v}"' for k, v in one[lang].items())
              for lang in ("en", "es")]
    text = "\n".join(["[a]", *lines, 'yields_to = ["b"]', *tables])
    with pytest.raises(ValueError, match="a yields to"):
        read_definitions(text=text)
