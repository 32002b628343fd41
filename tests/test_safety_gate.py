"""No motion line leaves without its caution, its own consent, and room at the worst scale."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest
from fakes import CARD_TEXT, COLD, FEEDER_TEXT, ScriptedPerson, SetClock, card, dialect
from hypothesis import assume, given
from hypothesis import strategies as st

from tuner.card.dialect import Dialect, HeatWords, Stop
from tuner.errors import (
    Defect,
    HeatFault,
    HeatRefused,
    OutsideEnvelope,
    PermitVoid,
    PositionUnknown,
    Stopped,
    TooHot,
)
from tuner.messages import Approach, Approached, Heat, Limits, Question, Reference
from tuner.safety.gate import LINES_PER_GROUP, LONGEST_LINE_S, Gate, Group, Move, duration_s
from tuner.safety.heat import Heater, Heaters
from tuner.safety.words import Kind, classify

CARD = card()
NOT_AT_ONCE = (None, Stop("M112", False, True))


def gate_at(
    at_mm: float,
    *,
    free: tuple[float, float] = (-100.0, 100.0),
    scale: tuple[float, float] = (1.0, 1.0),
    direction_seen: bool = True,
    axis: str = "x",
    clock: SetClock | None = None,
    words: Dialect | None = None,
) -> Gate:
    gate = Gate(CARD.axes, words or dialect(), clock or SetClock())
    gate.learn(
        Limits(
            axis=axis, minus_mm=free[0], plus_mm=free[1], scale_low=scale[0], scale_high=scale[1],
            direction_seen=direction_seen, at_mm=at_mm,
        )
    )  # fmt: skip
    return gate


def approach(
    to_mm: float,
    side: Approached = "plus",
    over_mm: float = 1.0,
    feed: float = 600.0,
    fresh: bool = False,
    axis: str = "x",
) -> Approach:
    return Approach(
        key="x.near.1", axis=axis, to_mm=to_mm, approach=side, over_mm=over_mm,
        feed_mm_per_min=feed, fresh=fresh,
    )  # fmt: skip


def moves(groups: list[Group]) -> list[Move]:
    return [move for group in groups for move in group.moves]


def lines(groups: list[Group]) -> list[str]:
    return [move.line for move in moves(groups)]


# --- which lines ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at_mm", "wanted", "expected"),
    [
        # from the right side: straight there, unless a fresh approach is wanted
        (0.0, approach(10.0), ["G1 X10 F600"]),
        (0.0, approach(10.0, fresh=True), ["G1 X9 F600", "G1 X1 F600"]),
        (9.0, approach(10.0), ["G1 X1 F600"]),
        (9.0, approach(10.0, fresh=True), ["G1 X1 F600"]),
        (20.0, approach(10.0, "minus"), ["G1 X-10 F600"]),
        (20.0, approach(10.0, "minus", fresh=True), ["G1 X-9 F600", "G1 X-1 F600"]),
        # too near, there already, or from the wrong side: past it and back
        (9.5, approach(10.0), ["G1 X-0.5 F600", "G1 X1 F600"]),
        (10.0, approach(10.0), ["G1 X-1 F600", "G1 X1 F600"]),
        (10.0, approach(10.0, "minus"), ["G1 X1 F600", "G1 X-1 F600"]),
        (20.0, approach(10.0), ["G1 X-11 F600", "G1 X1 F600"]),
        (0.0, approach(10.0, "minus"), ["G1 X11 F600", "G1 X-1 F600"]),
        (0.0, approach(10.0, "minus", 2.5), ["G1 X12.5 F600", "G1 X-2.5 F600"]),
        # without over-travel: straight there
        (0.0, approach(1.0, over_mm=0.0), ["G1 X1 F600"]),
        (1.0, approach(1.0, over_mm=0.0), []),
        (1.0, approach(1.0, over_mm=0.0, fresh=True), []),
        # four decimals, no exponent, the feed as it is printed
        (0.0, approach(1 / 3, over_mm=0.0, feed=600 / 25.4), ["G1 X0.3333 F23.622"]),
        (0.0, approach(-0.00012, "minus", 0.0), ["G1 X-0.0001 F600"]),
        (0.1, approach(0.3, over_mm=0.0), ["G1 X0.2 F600"]),
        (0.0, approach(100.0, feed=1500.0), ["G1 X100 F1500"]),
    ],
)
def test_lines_of_an_approach(at_mm: float, wanted: Approach, expected: list[str]) -> None:
    assert lines(gate_at(at_mm).plan(wanted)) == expected


places = st.floats(-120.0, 120.0)


@given(
    at_mm=places,
    to_mm=places,
    side=st.sampled_from(["plus", "minus"]),
    over_mm=st.floats(0.01, 5.0),
    fresh=st.booleans(),
    feed=st.floats(20.0, 3000.0),
    scale=st.tuples(st.floats(0.04, 25.4), st.floats(0.04, 25.4)),
    free=st.tuples(st.floats(-3000.0, 0.0), st.floats(0.0, 3000.0)),
    direction_seen=st.booleans(),
    stop=st.sampled_from([Stop("M112", True, True), *NOT_AT_ONCE]),
)
def test_every_approach_ends_there_from_its_side_and_inside(
    at_mm: float,
    to_mm: float,
    side: Approached,
    over_mm: float,
    fresh: bool,
    feed: float,
    scale: tuple[float, float],
    free: tuple[float, float],
    direction_seen: bool,
    stop: Stop | None,
) -> None:
    low, high = sorted(scale)
    if not direction_seen:
        high = 25.4
    if high > 4.0 * low:
        feed = min(feed, 600.0 / high)
    ways = (1.0,) if direction_seen else (1.0, -1.0)
    here = [way * factor * at_mm for way in ways for factor in (low, high)]
    # Start inside, by declaring at least what is needed to stand here.
    free = (min(free[0], *here), max(free[1], *here))
    gate = gate_at(
        at_mm, free=free, scale=(low, high), direction_seen=direction_seen,
        words=dialect(stop=stop),
    )  # fmt: skip
    try:
        groups = gate.plan(approach(to_mm, side, over_mm, feed, fresh))
    except OutsideEnvelope:
        # Refused means that not everything was free: the target, or the place beside it.
        sign = 1.0 if side == "plus" else -1.0
        worst = max(abs(to_mm), abs(to_mm - sign * over_mm)) * high + 1e-3
        assert worst > min(-free[0], free[1])
        return
    sign = 1.0 if side == "plus" else -1.0
    stops = [move.to_mm for move in moves(groups)]
    assert stops[-1] == pytest.approx(to_mm, abs=6e-5)
    last_leg_mm = 0.0
    for move in reversed(moves(groups)):
        assert move.by_mm is not None
        if sign * move.by_mm < 0:
            break
        last_leg_mm += sign * move.by_mm
    assert last_leg_mm >= over_mm - 2e-4
    here_mm = at_mm
    for move in moves(groups):
        assert move.by_mm is not None
        here_mm += move.by_mm
        assert here_mm == pytest.approx(move.to_mm, abs=6e-5 * len(stops))
        for factor in (low, high, (low + high) / 2):
            for way in ways:
                assert free[0] - 1e-5 <= way * factor * move.to_mm <= free[1] + 1e-5
        assert classify(move.line) is Kind.MOTION
        assert move.line == f"G1 X{_plain(move.by_mm)} F{_plain(move.feed_mm_per_min)}"
        if stop is None or not stop.immediate:
            assert move.seconds <= LONGEST_LINE_S + 1e-3
    assert all(1 <= len(group.moves) <= LINES_PER_GROUP == 4 for group in groups)
    assert all(len(group.moves) == LINES_PER_GROUP for group in groups[:-1])


def _plain(value: float) -> str:
    text = f"{value:.4f}"
    return re.sub(r"\.?0+$", "", text)


@pytest.mark.parametrize("stop", NOT_AT_ONCE)
def test_where_nothing_stops_at_once_lines_are_short(stop: Stop | None) -> None:
    gate = gate_at(0.0, words=dialect(stop=stop))
    groups = gate.plan(approach(99.0, feed=600.0))
    assert [len(group.moves) for group in groups] == [4, 1]
    assert lines(groups) == ["G1 X19.8 F600"] * 5
    assert [group.number for group in groups] == [1, 2]
    assert groups[0].seconds == pytest.approx(4 * (1.98 + 0.02))


@pytest.mark.parametrize(
    ("length_mm", "feed", "acceleration", "seconds"),
    [
        # v = 10 mm/s, a = 100 mm/s2: 0.1 s up, 0.1 s down over 1 mm, the rest at v
        (11.0, 600.0, 100.0, 1.2),
        (-11.0, 600.0, 100.0, 1.2),
        (1.0, 600.0, 100.0, 0.2),
        # below 1 mm it never reaches v: s = a t2 / 4
        (0.25, 600.0, 100.0, 0.1),
        (0.0, 600.0, 100.0, 0.0),
    ],
)
def test_how_long_a_move_takes(
    length_mm: float, feed: float, acceleration: float, seconds: float
) -> None:
    assert duration_s(length_mm, feed, acceleration) == pytest.approx(seconds)


# --- what is refused --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("free", "scale", "direction_seen", "to_mm", "over_mm", "side", "is_free"),
    [
        # 1 mm can be an inch, and either way
        ((-25.4, 25.4), (1 / 25.4, 25.4), False, 1.0, 0.0, "plus", True),
        ((-25.3, 100.0), (1 / 25.4, 25.4), False, 1.0, 0.0, "plus", False),
        ((-100.0, 25.3), (1 / 25.4, 25.4), False, 1.0, 0.0, "plus", False),
        ((-100.0, 25.3), (1 / 25.4, 25.4), False, -1.0, 0.0, "minus", False),
        # the over-travel needs room as well, in true mm
        ((-4.0, 40.0), (0.25, 4.0), True, 0.0, 1.0, "plus", True),
        ((-3.9, 40.0), (0.25, 4.0), True, 0.0, 1.0, "plus", False),
        ((-4.0, 40.0), (0.25, 4.0), True, 9.0, 1.0, "minus", True),
        ((-4.0, 40.0), (0.25, 4.0), True, 9.1, 1.0, "minus", False),
        ((-4.0, 40.0), (0.25, 4.0), True, 10.0, 1.0, "plus", True),
    ],
)
def test_the_envelope_is_checked_at_the_worst_scale(
    free: tuple[float, float],
    scale: tuple[float, float],
    direction_seen: bool,
    to_mm: float,
    over_mm: float,
    side: Approached,
    is_free: bool,
) -> None:
    gate = gate_at(0.0, free=free, scale=scale, direction_seen=direction_seen)
    wanted = approach(to_mm, side, over_mm, feed=600 / 25.5)
    if is_free:
        assert gate.plan(wanted)
        return
    with pytest.raises(OutsideEnvelope):
        gate.plan(wanted)


@pytest.mark.parametrize("wrong", [float("nan"), float("inf"), float("-inf")])
def test_no_number_is_no_place(wrong: float) -> None:
    with pytest.raises((OutsideEnvelope, Defect)):
        gate_at(0.0).plan(approach(wrong))
    for feed in (wrong, 0.0, -1.0, 1e-9):
        with pytest.raises(Defect):
            gate_at(0.0).plan(approach(1.0, feed=feed))


def test_from_an_unknown_place_nothing_moves() -> None:
    gate = Gate(CARD.axes, dialect(), SetClock())
    reference = Reference(key="x.reference", axis="x", position_mm=0.0)
    for wanted in (approach(1.0), reference):
        with pytest.raises(PositionUnknown, match="where X stands is not known"):
            gate.plan(wanted)
    gate = gate_at(0.0)
    with pytest.raises(PositionUnknown):
        gate.plan(approach(1.0, axis="y"))
    gate.forget_positions()
    assert gate.position_mm("x") is None
    with pytest.raises(PositionUnknown):
        gate.plan(approach(1.0))


def test_new_limits_keep_the_place_unless_they_bring_one() -> None:
    gate = gate_at(3.0)
    wider = Limits(axis="x", minus_mm=-9, plus_mm=9, scale_low=1, scale_high=1, direction_seen=True)
    gate.learn(wider)
    assert gate.position_mm("x") == 3.0
    (group,) = gate.plan(approach(5.0))
    gate.arrived(group)
    assert gate.position_mm("x") == 5.0


# --- referencing ------------------------------------------------------------------------


def test_a_switch_search_is_one_line_with_its_caution() -> None:
    gate = gate_at(10.0)
    (group,) = gate.plan(Reference(key="x.reference", axis="x", position_mm=-2.0))
    assert lines([group]) == ["G28 X"]
    assert group.seconds == 60.0
    person = ScriptedPerson(["go"])
    gate.admit(group, person, COLD)
    caution, move = person.lines[:2]
    assert "runs until its end switch acts" in caution.says
    assert "Toward its end switch" in caution.says
    assert dict(move.fields) == {
        "axis": "X", "search": "min", "to_mm": "-2.0000", "group": "1", "line": "1", "of": "1",
    }  # fmt: skip
    assert move.says == "X searches its end switch"
    gate.arrived(group)
    assert gate.position_mm("x") == -2.0


def test_no_search_without_a_word_or_before_the_direction_was_seen() -> None:
    reference = Reference(key="x.reference", axis="x", position_mm=0.0)
    with pytest.raises(OutsideEnvelope, match="declare the free travel instead"):
        gate_at(0.0, words=dialect(reference=None)).plan(reference)
    with pytest.raises(OutsideEnvelope, match="before its direction was watched"):
        gate_at(0.0, scale=(1 / 25.4, 25.4), direction_seen=False).plan(reference)


@pytest.mark.parametrize("scale", [(1.0, 1.0), (0.25, 4.0), (1 / 25.4, 25.3)])
def test_nothing_is_known_before_the_axis_was_seen_to_move(scale: tuple[float, float]) -> None:
    with pytest.raises(Defect, match="was not seen to move yet"):
        gate_at(0.0, scale=scale, direction_seen=False)


@pytest.mark.parametrize(
    ("scale", "feed", "allowed"),
    [
        ((0.25, 4.0), 150.0, True), ((0.25, 4.0), 151.0, False),
        ((0.0, 1.0), 601.0, False), ((0.5, 2.0), 1500.0, True),
    ],
)  # fmt: skip
def test_an_axis_is_slow_until_its_scale_was_read(
    scale: tuple[float, float], feed: float, allowed: bool
) -> None:
    gate = gate_at(0.0, scale=scale, free=(-100.0, 100.0))
    if allowed:
        assert gate.plan(approach(1.0, feed=feed))
        return
    with pytest.raises(Defect, match="too fast for X before its scale was read"):
        gate.plan(approach(1.0, feed=feed))


# --- caution and consent ----------------------------------------------------------------


def test_every_line_has_its_caution_and_the_consent_comes_after_the_last() -> None:
    gate = gate_at(20.0, axis="y")
    (group,) = gate.plan(approach(10.0, axis="y", feed=600 / 7))
    person = ScriptedPerson(["go"])
    permit = gate.admit(group, person, COLD)
    assert person.tags == ["CAUTION", "MOVE", "CAUTION", "MOVE", "discard", "CONFIRM"]
    for number, (caution, move) in enumerate(
        zip(person.tagged("CAUTION"), person.tagged("MOVE"), strict=True), 1
    ):
        place = {"group": "1", "line": str(number), "of": "2"}
        assert dict(caution.fields) == {"word": "WARNING", **place}
        assert dict(move.fields).items() >= place.items()
        assert "Caliper and hands out" in caution.says
        assert "bed moves the other way" in caution.says
    assert person.tagged("MOVE")[0].plain() == (
        "MOVE x.near.1 axis=Y by_mm=-11.0000 to_mm=9.0000 feed=85.7143 seconds=7.7 group=1 line=1 "
        "of=2 | Y by -11.00 mm to 9.00 mm, about 7.7 s"
    )
    (confirm,) = person.tagged("CONFIRM")
    assert confirm.plain() == "CONFIRM x.near.1 group=1 nozzle_c=21 bed_c=20 | answer go or stop"
    assert permit.group == 1
    assert permit.seconds == group.seconds
    # the permit is exactly the printed moves
    assert permit.redeem(0.0) == tuple(
        f"G1 Y{_plain(float(fields['by_mm']))} F{fields['feed']}"
        for fields in (dict(move.fields) for move in person.tagged("MOVE"))
    )


def test_wrong_answers_do_not_consent() -> None:
    gate = gate_at(0.0)
    (group,) = gate.plan(approach(10.0))
    person = ScriptedPerson(["", "y", "yes", "1", "go now", "GO"])
    gate.admit(group, person, None)
    assert person.left == []
    assert person.tags == ["CAUTION", "MOVE", "discard", *["CONFIRM", "NOTE"] * 5, "CONFIRM"]
    assert {line.key for line in person.tagged("NOTE")} == {"refused"}
    asked = [one for one in person.seen if isinstance(one, Question)]
    assert len(set(asked)) == 1


def test_stop_instead_of_go_gives_no_permit() -> None:
    gate = gate_at(0.0)
    (group,) = gate.plan(approach(10.0))
    with pytest.raises(Stopped):
        gate.admit(group, ScriptedPerson(["stop"]), COLD)


@pytest.mark.parametrize("heater", [Heater("T", 51.0, 0.0), Heater("B", 20.0, 60.0)])
def test_too_hot_refuses_before_anything_is_shown(heater: Heater) -> None:
    gate = gate_at(0.0)
    (group,) = gate.plan(approach(10.0))
    person = ScriptedPerson([])
    with pytest.raises(TooHot):
        gate.admit(group, person, (*COLD, heater))
    assert person.seen == []


def test_the_consent_ages_from_the_answer_on() -> None:
    clock = SetClock(100.0)

    def slow(question: Question) -> str:
        clock.at_s += 500.0
        return "go"

    gate = gate_at(0.0, clock=clock)
    (group,) = gate.plan(approach(10.0))
    permit = gate.admit(group, ScriptedPerson(slow), COLD)
    assert permit.redeem(630.0)
    gate.arrived(group)
    (group,) = gate.plan(approach(0.0))
    permit = gate.admit(group, ScriptedPerson(["go"]), COLD)
    with pytest.raises(PermitVoid):
        permit.redeem(630.1)


@given(st.lists(st.sampled_from([1.0, 5.0, 40.0]), min_size=2, max_size=6))
def test_groups_are_numbered_once(targets: list[float]) -> None:
    gate = gate_at(0.0)
    numbers = []
    for to_mm in targets:
        for group in gate.plan(approach(to_mm)):
            numbers.append(group.number)
            gate.arrived(group)
    assume(numbers)
    assert numbers == list(range(1, len(numbers) + 1))


# --- heat -------------------------------------------------------------------------------

WITH_FEEDER = card(CARD_TEXT + FEEDER_TEXT)
NOZZLE = Heat(key="e.heat", heater="nozzle", target_c=200)


def heating_gate(**more: Any) -> Gate:
    given = {"axes": WITH_FEEDER.axes, "dialect": dialect(), "clock": SetClock(50.0), **more}
    return Gate(given.pop("axes"), given.pop("dialect"), given.pop("clock"), **given)


@pytest.mark.parametrize(
    ("wanted", "line"),
    [
        (NOZZLE, "M104 S200"),
        (replace(NOZZLE, target_c=1), "M104 S1"),
        (replace(NOZZLE, target_c=240), "M104 S240"),
        (replace(NOZZLE, heater="bed", target_c=60), "M140 S60"),
    ],
)
def test_heat_has_its_caution_and_its_consent(wanted: Heat, line: str) -> None:
    person = ScriptedPerson(["yes", "go"])
    warrant, watch = heating_gate().admit_heat(wanted, person, COLD)
    assert person.tags == ["CAUTION", "HEAT", "discard", "CONFIRM", "NOTE", "CONFIRM"]
    (caution,), (heat,) = person.tagged("CAUTION"), person.tagged("HEAT")
    place = "group=1 line=1 of=1"
    assert heat.plain() == (
        f"HEAT e.heat heater={wanted.heater} target_c={wanted.target_c} {place} | {wanted.heater} "
        f"to {wanted.target_c} °C"
    )
    assert dict(caution.fields) == {"word": "WARNING", "group": "1", "line": "1", "of": "1"}
    for part in ("burn", "fumes", "caliper", f"{wanted.target_c} °C", "nozzle 21 °C, bed"):
        assert part in caution.says
    assert person.tagged("NOTE")[0].says == "only go switches this heater on; type go, or stop"
    questions = [one for one in person.seen if isinstance(one, Question)]
    assert {one.patience_s for one in questions} == {None}
    assert classify(line) is Kind.HEAT
    assert warrant.redeem(80.0) == line
    assert watch.has_reached(wanted.target_c)


def test_the_caution_of_heat_is_whole_on_its_line() -> None:
    many = tuple(Heater(f"T{number}", 199.9, 0.0) for number in range(40))
    person = ScriptedPerson(["go"])
    heating_gate().admit_heat(NOZZLE, person, many)
    (caution,) = person.tagged("CAUTION")
    assert caution.plain().endswith(caution.says)


def test_a_hot_heater_waits_five_minutes_for_a_consent() -> None:
    person = ScriptedPerson(["go"])
    heating_gate().admit_heat(NOZZLE, person, (Heater("T", 180.0, 180.0),))
    assert [one.patience_s for one in person.seen if isinstance(one, Question)] == [300.0]


def test_stop_instead_of_go_gives_no_warrant() -> None:
    with pytest.raises(Stopped):
        heating_gate().admit_heat(NOZZLE, ScriptedPerson(["stop"]), COLD)


@pytest.mark.parametrize(
    ("more", "wanted", "why"),
    [
        ({"network": True}, NOZZLE, "leads over a network"),
        ({"axes": CARD.axes}, NOZZLE, "the card has no feeder"),
        ({"dialect": dialect(heat=HeatWords())}, NOZZLE, "has no word for it"),
        ({"dialect": dialect(heat=HeatWords("M104 S{target}"))},
         replace(NOZZLE, heater="bed"), "has no word for it"),
        ({}, replace(NOZZLE, target_c=241), "up to 240; choose one of those"),
        ({}, replace(NOZZLE, target_c=10**9), "up to 240"),
        ({}, replace(NOZZLE, target_c=0), "up to 240"),
        ({}, replace(NOZZLE, target_c=-5), "up to 240"),
        ({}, replace(NOZZLE, target_c=200.5), "whole degrees"),
        ({}, replace(NOZZLE, target_c=float("nan")), "whole degrees"),
    ],
)  # fmt: skip
def test_where_it_may_not_be_heated_nothing_is_shown(
    more: dict[str, Any], wanted: Heat, why: str
) -> None:
    person = ScriptedPerson([])
    with pytest.raises(HeatRefused, match=why):
        heating_gate(**more).admit_heat(wanted, person, COLD)
    assert person.seen == []


def test_while_an_axis_is_measured_nothing_is_heated() -> None:
    gate = heating_gate()
    gate.learn(Limits(axis="x", minus_mm=-9.0, plus_mm=9.0, scale_low=1.0, scale_high=1.0,
                      direction_seen=True))  # fmt: skip
    with pytest.raises(HeatRefused, match="an axis is being measured"):
        gate.admit_heat(NOZZLE, ScriptedPerson([]), COLD)
    gate.forget_positions()
    gate.admit_heat(NOZZLE, ScriptedPerson(["go"]), COLD)


# --- the feeder -------------------------------------------------------------------------

FEED = Approach(
    key="e.run.2", axis="e", to_mm=10.0, approach="plus", over_mm=0.0, feed_mm_per_min=180.0
)
FED = Limits(
    axis="e", minus_mm=-30.0, plus_mm=100.0, scale_low=0.9, scale_high=1.1, direction_seen=True,
    at_mm=0.0,
)  # fmt: skip
HOT_NOZZLE = (Heater("T", 200.0, 200.0), Heater("B", 20.0, 0.0))


def test_a_feed_has_its_caution_and_its_consent() -> None:
    gate, person = heating_gate(), ScriptedPerson(["go"])
    gate.learn(FED)
    (group,) = gate.plan(FEED)
    permit = gate.admit(group, person, COLD)
    assert permit.lines == ("G1 E10 F180",)
    (caution,) = person.tagged("CAUTION")
    assert caution.says.startswith("E 10.00 mm of filament forward, 3 mm/s. Its wheel")


def test_filament_is_fed_no_faster_than_the_card_says() -> None:
    gate = heating_gate()
    gate.learn(FED)
    with pytest.raises(Defect, match="more than the card lets E feed, 3 mm/s"):
        gate.plan(replace(FEED, feed_mm_per_min=180.1))


def test_a_feeder_moves_hot_after_its_own_heating_and_not_before() -> None:
    gate = heating_gate()
    gate.learn(FED)
    (group,) = gate.plan(FEED)
    with pytest.raises(TooHot):
        gate.admit(group, ScriptedPerson(["go"]), HOT_NOZZLE)
    gate.admit_heat(NOZZLE, ScriptedPerson(["go"]), COLD)
    person = ScriptedPerson(["go"])
    gate.admit(group, person, HOT_NOZZLE)
    (caution,) = person.tagged("CAUTION")
    for danger in ("Melt burns", "fumes harm", "Hot surfaces, burns on touch: nozzle 200"):
        assert danger in caution.says
    assert [one.patience_s for one in person.seen if isinstance(one, Question)] == [300.0]


def test_the_caution_of_a_hot_feed_is_whole_on_its_line() -> None:
    many = (Heater("T0", 200.4, 200.0), Heater("T1", 190.0, 0.0), Heater("B", 60.0, 0.0),
            Heater("C", 41.0, 0.0))  # fmt: skip
    gate, person = heating_gate(), ScriptedPerson(["go", "go"])
    gate.admit_heat(NOZZLE, person, (*COLD,))
    gate.learn(replace(FED, plus_mm=123.4))
    (group,) = gate.plan(replace(FEED, key="e.ladder.further", to_mm=103.2456))
    gate.admit(group, person, many)
    assert not person.tagged("CAUTION")[-1].plain().endswith("…")


def test_an_axis_stays_cold_after_the_feeder_was_heated() -> None:
    gate = heating_gate()
    gate.admit_heat(NOZZLE, ScriptedPerson(["go"]), COLD)
    with pytest.raises(TooHot):
        gate.check_heat("x", HOT_NOZZLE)


def test_the_feeders_turn_ends_that_of_the_axes() -> None:
    gate = heating_gate()
    gate.learn(replace(FED, axis="x"))
    with pytest.raises(HeatRefused):
        gate.admit_heat(NOZZLE, ScriptedPerson([]), COLD)
    gate.learn(FED)
    assert gate.position_mm("x") is None
    gate.admit_heat(NOZZLE, ScriptedPerson(["go"]), COLD)


@pytest.mark.parametrize("heaters", [None, (), (Heater("B", 20.0, 0.0),), (Heater("T", -21.0),)])
def test_what_cannot_be_watched_is_not_heated(heaters: Heaters) -> None:
    person = ScriptedPerson([])
    with pytest.raises(HeatFault):
        heating_gate().admit_heat(NOZZLE, person, heaters)
    assert person.seen == []


def test_one_step_of_each_axis() -> None:
    assert gate_at(0.0).steps_mm == {"x": 0.0125, "y": 0.0125, "z": 0.0025}
