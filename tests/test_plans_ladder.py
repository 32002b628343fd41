"""The ladder: the first moves of an axis nobody knows anything about yet."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from fakes import CARD_TEXT, Hand, SetClock, card, dialect

from tuner.card.schema import Card
from tuner.messages import (
    Approach,
    Ask,
    Choose,
    Confirm,
    Decided,
    Limits,
    Message,
    Observe,
    Propose,
    Reference,
    Reply,
    Say,
    Text,
)  # fmt: skip
from tuner.plans import bench
from tuner.plans.first_move import BRANCHES, FIRST_MOVES
from tuner.safety.gate import Gate, Group

CARD = card()


class GuardedHand(Hand):
    """A hand that lets every move through a real gate, and knows where the axis truly is.

    `free_mm` is what is truly free each way; leaving it is an error, as is what the gate
    refuses, and as are bounds on the scale with the true one outside.
    """

    free_mm: tuple[float, float] = (100.0, 100.0)

    def guard(self, card_: Card = CARD, free_mm: tuple[float, float] = (100.0, 100.0)) -> Hand:
        self.free_mm = free_mm
        self.gate = Gate(card_.axes, dialect(), SetClock())
        self.furthest_mm = [0.0, 0.0]
        return self

    def reply(self, message: Message) -> Reply:
        match message:
            case Decided(value=Limits() as limits):
                assert limits.scale_low - 1e-9 <= self.scale <= limits.scale_high + 1e-9
                self.gate.learn(limits)
            case Approach():
                for group in self.gate.plan(message):
                    self._go(group)
        return super().reply(message)

    def _go(self, group: Group) -> None:
        self.gate.arrived(group)
        for move in group.moves:
            true_mm = self.scale * move.to_mm
            assert -self.free_mm[0] - 1e-6 <= true_mm <= self.free_mm[1] + 1e-6
            self.furthest_mm[0] = min(self.furthest_mm[0], true_mm)
            self.furthest_mm[1] = max(self.furthest_mm[1], true_mm)


def play(hand: Hand, axis: str = "x", card_: Card = CARD, **words: Any) -> dict[str, Any]:
    result = hand.play(bench.bench(card_, dialect(**words), [axis], False))
    return dict(result[axis])


# --- the first move -----------------------------------------------------------------------


def test_there_is_a_branch_for_every_answer() -> None:
    assert set(FIRST_MOVES) - {"about-right"} == set(BRANCHES)
    for branch in BRANCHES.values():
        assert branch.says
        assert branch.check


@pytest.mark.parametrize(
    ("seen", "cause", "words"),
    [
        ("nothing", "not-powered", "motor power is on"),
        ("shakes", "motor-phase", "never pull the plug of a powered motor"),
        ("other-axis", "wrong-axis", "which motor is plugged in where"),
        ("diagonal", "wrong-axis", "coupled-belts"),
        ("wrong-way", "reversed", "turn the motor plug round"),
        ("too-far", "inch-units", "inches"),
    ],
)
def test_what_was_seen_ends_the_axis(seen: str, cause: str, words: str) -> None:
    hand = Hand({"first-move": seen, "after-look": "leave-axis"})
    finding = play(hand)
    assert finding["verdict"] == "repair-first"
    assert [(one["name"], one["p"]) for one in finding["causes"]] == [(cause, 1.0)]
    assert words in finding["next"]
    assert finding["proposal"] is None
    assert finding["scale"] is None
    assert len(hand.of(Approach)) == 1
    assert hand.of(Reference) == []
    assert hand.of(Propose) == []  # nothing was read
    assert finding["n"] == 0
    if "power off" in finding["next"]:
        assert "unplugged" in finding["next"]


def test_about_right_goes_on() -> None:
    assert len(Hand().of(Approach)) == 0
    hand = Hand()
    assert play(hand)["verdict"] == "keep"
    assert len(hand.of(Approach)) > 4


@pytest.mark.parametrize("seen", ["nothing", "shakes"])
@pytest.mark.parametrize("touched", ["yes", "no", "unsure"])
def test_after_a_look_the_free_travel_is_declared_anew(seen: str, touched: str) -> None:
    hand = Hand(
        {
            "first-move": [seen, seen, "about-right"],
            "after-look": "try-again",
            "touched": touched,
        }
    )
    assert play(hand)["verdict"] == "keep"
    for said in hand.of(Say, "position-unknown"):
        assert "position of X counts as unknown" in said.says
        assert ("always counts" in said.says) == (touched == "no")
    assert hand.keys.count("x.touched") == hand.keys.count("x.position-unknown") == 2
    for key in ("x.free-minus", "x.free-plus", "x.first"):
        assert hand.keys.count(key) == 3
    declared = [m.value for m in hand.of(Decided, "x.limits") if m.value.at_mm is not None]
    assert [(one.at_mm, one.direction_seen) for one in declared] == [(0.0, False)] * 3
    visits = {one["visit"] for one in hand.of(Propose)[0].finding["readings"]}
    assert visits == {3}


def test_what_still_moves_ends_the_motion_of_the_whole_session() -> None:
    hand = Hand({"y.still": "no"})
    result = hand.play(bench.bench(CARD, dialect(), ["x", "y", "z"], False))
    assert list(result) == ["y"]  # found in the first small moves, before any axis went far
    assert result["y"]["verdict"] == "cannot-tell"
    assert "before the move has ended" in result["y"]["next"]
    seen = hand.keys.index("y.still")
    assert [one for one in hand.messages[seen:] if isinstance(one, Approach | Reference)] == []
    assert "leaving" in hand.keys[seen:]
    assert hand.of(Propose) == []


def test_what_gives_way_twice_is_repaired_first() -> None:
    hand = Hand({"holds": "no"})
    finding = play(hand)
    assert finding["verdict"] == "repair-first"
    assert finding["causes"][0]["name"] == "motor-released"
    assert hand.keys.count("x.holds") == 2
    assert [one.key for one in hand.of(Approach)] == ["x.first", "x.hold-again"]


@pytest.mark.parametrize("free_mm", [(100.0, 100.0), (6.0, 40.0), (5.1, 30.0)])
@pytest.mark.parametrize("scale", [0.26, 1.0, 3.9])
def test_what_a_small_move_makes_hold_again_is_measured(
    free_mm: tuple[float, float], scale: float
) -> None:
    answers = {"holds": ["no", "yes"], "free-minus": free_mm[0], "free-plus": free_mm[1]}
    hand = GuardedHand(answers, scale=scale)
    hand.guard(CARD, free_mm)
    assert play(hand)["n"] > 0
    (move,) = hand.of(Approach, "x.hold-again")
    assert abs(move.to_mm) <= 1.0
    assert "may have released the motor" in hand.of(Say, "x.hold-again")[0].says


def test_answers_that_safety_hangs_on_have_no_default() -> None:
    hand = Hand()
    play(hand)
    for key in ("caliper-held", "still", "first-move", "holds"):
        (question,) = hand.of(Choose, f"x.{key}")
        assert question.default == ""


@pytest.mark.parametrize(
    ("minus_mm", "plus_mm", "first_mm"),
    [
        # 1 mm may be an inch and either way: 25.4 mm both ways (NIST SP 811)
        (100.0, 100.0, 1.0),
        (25.4, 25.4, 1.0),
        (25.3, 100.0, 0.9),
        (100.0, 25.3, 0.9),
        (12.7, 12.7, 0.5),
        (5.1, 5.1, 0.2),
        (5.0, 100.0, None),
        (0.0, 100.0, None),
        (0.0, 0.0, None),
    ],
)
def test_the_first_move_is_free_at_the_worst_scale(
    minus_mm: float, plus_mm: float, first_mm: float | None
) -> None:
    hand = Hand({"free-minus": minus_mm, "free-plus": plus_mm})
    finding = play(hand)
    first = hand.of(Approach, "x.first")
    if first_mm is None:
        assert first == []
        assert finding["verdict"] == "cannot-tell"
        assert "free travel both ways" in finding["next"]
        return
    assert first[0].to_mm == first_mm
    assert first[0].over_mm == 0.0
    assert first[0].to_mm * 25.4 <= min(minus_mm, plus_mm)


@pytest.mark.parametrize("axis", ["x", "y", "z"])
def test_the_ladder_is_slow_at_the_worst_scale(axis: str) -> None:
    hand = Hand({"holds": ["no", "yes"]})
    play(hand, axis)
    assert len(hand.of(Approach, ".hold-again")) == 1
    turn_mm = {"x": 40.0, "y": 40.0, "z": 8.0}[axis]
    bounds = 25.4
    for message in hand.messages:
        if isinstance(message, Decided) and isinstance(message.value, Limits):
            bounds = message.value.scale_high
        if isinstance(message, Approach) and (
            ".ladder." in message.key or message.key.endswith((".first", ".hold-again"))
        ):
            assert 1.0 <= message.feed_mm_per_min <= 600.0 / bounds
            assert message.feed_mm_per_min <= 60.0 * turn_mm


def test_which_way_is_plus_is_said() -> None:
    said = {}
    for axis in ("x", "y", "z"):
        hand = Hand()
        play(hand, axis)
        said[axis] = hand.of(Choose, "first-move")[0].says
    assert "away from its end switch" in said["x"]
    assert "the bed moves, so it goes the other way" in said["y"]
    assert "position grows" in said["z"]


def test_more_free_travel_than_the_axis_is_long_is_asked_for_again() -> None:
    # 220 mm on the card, and 2 mm that people may be off
    hand = Hand({"free-minus": [122.5, 122.0], "free-plus": [100.0, 100.0]})
    assert play(hand)["verdict"] == "keep"
    assert hand.keys.count("x.too-long") == 1
    assert [ask.high_mm for ask in hand.of(Text)] == [220.0] * 4
    first = next(one.value for one in hand.of(Decided, "x.limits"))
    assert (first.minus_mm, first.plus_mm) == (-122.0, 100.0)


# --- no move ever leaves what is free -----------------------------------------------------


@pytest.mark.parametrize("scale", [0.26, 0.5, 0.8, 1.0, 1.25, 2.0, 3.9])
@pytest.mark.parametrize(
    ("minus_mm", "plus_mm"), [(100.0, 100.0), (25.4, 100.0), (100.0, 25.4), (30.0, 30.0), (6.0, 40)]
)
@pytest.mark.parametrize("grows", [1, -1])
def test_no_true_position_is_outside_what_was_declared(
    scale: float, minus_mm: float, plus_mm: float, grows: int
) -> None:
    text = CARD_TEXT if grows > 0 else CARD_TEXT.replace(
        "[axes.x]", '[axes.x]\ncaliper = { reading_grows = "minus" }'
    )  # fmt: skip
    machine = card(text)
    answers = {"free-minus": minus_mm, "free-plus": plus_mm}
    hand = GuardedHand(answers, scale=scale, datum_mm=60.0, play_mm=0.05, grows=grows)
    hand.guard(machine, (minus_mm, plus_mm))
    finding = play(hand, card_=machine)
    assert finding["verdict"] in ("keep", "change", "cannot-tell", "measure-again", "repair-first")
    for reading in hand.of(Propose)[0].finding["readings"]:
        assert 0.0 <= reading["reading_mm"] <= 150.0


@pytest.mark.parametrize("shows_mm", [20.0, 60.0, 130.0])
@pytest.mark.parametrize("scale", [0.8, 1.0, 1.25])
def test_a_clamped_caliper_keeps_5_mm_of_its_slide(shows_mm: float, scale: float) -> None:
    answers = {"caliper-held": "mounted", "slide-now": shows_mm}
    hand = GuardedHand(answers, scale=scale, datum_mm=shows_mm)
    hand.guard()
    play(hand)
    assert shows_mm + hand.furthest_mm[0] >= 5.0 - 1e-6
    assert shows_mm + hand.furthest_mm[1] <= 145.0 + 1e-6


@pytest.mark.parametrize(
    ("free_mm", "datum_mm"), [((6.0, 6.0), 60.0), ((26.0, 26.0), 5.0), ((6.0, 30.0), 149.0)]
)
def test_without_room_it_says_so(free_mm: tuple[float, float], datum_mm: float) -> None:
    hand = GuardedHand({"free-minus": free_mm[0], "free-plus": free_mm[1]}, datum_mm=datum_mm)
    hand.guard(CARD, free_mm)
    finding = play(hand)
    if "no room" in finding["next"]:
        assert finding["verdict"] == "cannot-tell"
        assert f"{datum_mm:.2f} mm of 150 mm" in finding["next"]
    else:
        assert finding["n"] >= 6
    assert ("no room" in finding["next"]) == (free_mm != (26.0, 26.0))


# --- which way the reading goes -----------------------------------------------------------


@pytest.mark.parametrize(("agreed", "verdict"), [("yes", "keep"), ("no", "cannot-tell")])
def test_a_reading_that_falls_is_asked_about(agreed: str, verdict: str) -> None:
    hand = Hand({"reading-direction": agreed}, grows=-1)
    finding = play(hand)
    assert finding["verdict"] == verdict
    (question,) = hand.of(Choose, "reading-direction")
    assert question.default == ""
    if agreed == "no":  # never `reversed` from readings: the eye has seen it go the right way
        assert finding["causes"] == []
        assert finding["n"] == 3
        assert "which way the caliper faces" in finding["next"]


@pytest.mark.parametrize("scale", [0.0, 0.04])
def test_a_caliper_that_saw_no_move(scale: float) -> None:
    finding = play(Hand(scale=scale))
    assert finding["verdict"] == "repair-first"
    assert finding["causes"][0]["name"] == "move-not-made"
    assert finding["n"] == 3


@pytest.mark.parametrize("step", ["half", "ten", "turn"])
@pytest.mark.parametrize("side", ["plus", "minus"])
def test_a_reading_off_the_line_of_two_is_measured_again(step: str, side: str) -> None:
    free_mm = (100.0, 60.0) if side == "minus" else (60.0, 100.0)
    right = GuardedHand({"free-minus": free_mm[0], "free-plus": free_mm[1]})
    right.guard(CARD, free_mm)
    assert play(right)["verdict"] == "keep"
    (ask,) = right.of(Ask, f"x.ladder.{step}")
    # Half-way counts twice at 10 mm, and what was read at 10 mm counts four times at 40 mm.
    within_mm = {"half": 0.4, "ten": 0.4, "turn": 1.6}[step]
    for off_mm in (within_mm - 0.02, -within_mm + 0.02, within_mm + 0.02, -within_mm - 0.02):
        ends = abs(off_mm) > within_mm
        hand = GuardedHand(
            {**right.answers, f"ladder.{step}": [None, right.reading_mm(ask) + off_mm]}
        )
        hand.guard(CARD, free_mm)
        finding = play(hand)
        assert ("do not lie on one line" in finding["next"]) == ends
        if ends:
            assert (finding["verdict"], finding["proposal"]) == ("measure-again", None)
            assert finding["n"] == (3 if step == "half" else 4)
            assert "x.measure" not in hand.keys


def test_the_third_and_fourth_reading_say_what_the_line_expects() -> None:
    hand = Hand(scale=0.8)
    play(hand)
    asks = {ask.key.rpartition(".")[2]: ask for ask in hand.of(Ask) if ".ladder." in ask.key}
    assert list(asks) == ["start", "half", "ten", "turn"]
    assert asks["start"].expected_mm is None
    # Nothing is known of the scale yet: only what is off by half as much again is asked for anew.
    start_mm, half_mm = (hand.reading_mm(asks[rung]) for rung in ("start", "half"))
    assert asks["half"].within_mm == pytest.approx(7.5)
    assert asks["half"].expected_mm == pytest.approx(
        start_mm + (half_mm - start_mm) / 0.8, abs=0.05
    )
    for step, within_mm in (("ten", 0.8), ("turn", 1.6)):
        assert asks[step].within_mm == pytest.approx(within_mm)
        assert asks[step].expected_mm == pytest.approx(hand.reading_mm(asks[step]), abs=0.05)


@pytest.mark.parametrize("axis", ["x", "z"])
def test_the_ladder_reads_at_least_20_mm_or_one_turn(axis: str) -> None:
    hand = Hand()
    play(hand, axis)
    rungs = [ask.at_mm for ask in hand.of(Ask) if ".ladder." in ask.key]
    assert rungs == [0.0, 5.0, 10.0, 40.0 if axis == "x" else 20.0]


# --- referencing --------------------------------------------------------------------------

FREE = {"x_min": False, "y_min": False}
HELD = {"x_min": True, "y_min": False}


def switches(free: Any, held: Any) -> dict[str, Any]:
    return {"origin": "reference", "switch-free": free, "switch-held": held}


def test_a_switch_that_was_seen_is_searched() -> None:
    hand = Hand(switches(FREE, HELD))
    assert play(hand)["verdict"] == "keep"
    (reference,) = hand.of(Reference)
    assert reference.position_mm == 0.0
    keys = hand.keys
    assert keys.index("x.first-move") < keys.index("x.switch-free") < keys.index("x.switch-pressed")
    assert keys.index("x.switch-held") < keys.index("x.switch-clear") < keys.index("x.reference")
    assert {one["visit"] for one in hand.of(Propose)[0].finding["readings"]} == {2}


@pytest.mark.parametrize(
    ("declared_mm", "limits_mm"),
    [
        # the card says 0 to 220 mm, and the switch is at 0
        ((0.0, 90.0), (0.0, 90.0)),
        ((40.0, 90.0), (0.0, 90.0)),
        ((0.0, 220.0), (0.0, 220.0)),
        ((2.0, 220.0), (0.0, 220.0)),
    ],
)
def test_after_the_search_the_free_travel_is_declared_anew(
    declared_mm: tuple[float, float], limits_mm: tuple[float, float]
) -> None:
    minus_mm, plus_mm = declared_mm
    answers = {"free-minus": [100.0, minus_mm], "free-plus": [100.0, plus_mm]}
    hand = Hand({**switches(FREE, HELD), **answers})
    play(hand)
    reference = hand.keys.index("x.reference")
    for key in ("x.free-minus", "x.free-plus"):
        assert hand.keys.count(key) == 2
        assert key in hand.keys[reference:]
    after = hand.of(Decided, "x.limits")[2].value
    assert hand.keys[reference:].index("x.free-plus") < hand.keys[reference:].index("x.limits")
    assert (after.at_mm, after.minus_mm, after.plus_mm) == (0.0, *limits_mm)


def test_a_mounted_caliper_is_never_taken_along_on_a_search() -> None:
    hand = Hand({**switches(FREE, HELD), "caliper-held": "mounted"})
    assert play(hand)["verdict"] == "keep"
    assert hand.of(Choose, "origin") == []
    assert hand.of(Reference) == []
    assert [one for one in hand.of(Observe) if one.what == "switches"] == []


@pytest.mark.parametrize(
    ("free", "held"),
    [
        (FREE, FREE),
        (HELD, HELD),
        (HELD, FREE),
        (None, None),
        (None, HELD),
        (FREE, None),
        (FREE, {}),
        ({}, HELD),
        ({"x_min": True, "y_min": False}, {"x_min": True, "y_min": True}),
        (FREE, {"x_min": False, "y_min": True}),
    ],
)
def test_a_switch_that_was_not_seen_is_never_searched(free: Any, held: Any) -> None:
    hand = Hand(switches(free, held))
    assert play(hand)["verdict"] == "keep"
    assert hand.of(Reference) == []
    assert "x.switch-silent" in hand.keys


def test_no_search_before_the_hands_are_out() -> None:
    hand = Hand({**switches(FREE, HELD), "switch-clear": [False, False, True]})
    play(hand)
    assert len(hand.of(Confirm, "switch-clear")) == 3
    assert len(hand.of(Reference)) == 1


def test_declaring_asks_no_switch() -> None:
    hand = Hand()
    play(hand)
    assert hand.of(Choose, "origin")[0].default == "declare"
    assert [one.what for one in hand.of(Observe)] == ["greeting", "leaving"]


@pytest.mark.parametrize(
    ("axis", "words"),
    [("z", {}), ("x", {"reference": None}), ("x", {"switches": None})],
    ids=["no switch", "no word", "no report"],
)
def test_where_no_switch_can_be_searched_none_is_offered(axis: str, words: dict[str, Any]) -> None:
    hand = Hand()
    play(hand, axis, **words)
    assert hand.of(Choose, "origin") == []


def test_a_wrong_way_is_never_referenced() -> None:
    hand = Hand({"first-move": "wrong-way", "origin": "reference"})
    play(hand)
    assert hand.of(Reference) == []
    assert any("far end" in say.says for say in hand.of(Say, "branch"))


def test_a_switch_outside_the_range_leaves_no_travel_beyond_it() -> None:
    text = CARD_TEXT.replace("position_mm = 0.0", "position_mm = -3.0")
    machine = card(text)
    hand = GuardedHand(switches(FREE, HELD))
    hand.guard(machine, (3.0, 220.0))
    finding = play(hand, card_=machine)
    assert finding["verdict"] == "keep"
    after = hand.of(Decided, "x.limits")[2].value
    assert (after.minus_mm, after.plus_mm) == (0.0, 100.0)


# --- what a person may misread ------------------------------------------------------------

RUNGS = ("start", "half", "ten", "turn")
# Gross ones, and those just small enough to pass for a bent line.
OFF_MM = [-30.0, -20.0, -8.0, -0.79, 0.79, 8.0, 20.0, 30.0]


def climb(
    scale: float, free_mm: tuple[float, float], held: str, misread: Mapping[str, float]
) -> tuple[GuardedHand, dict[str, Any]]:
    """Play one axis, with these readings on the ladder instead of the right ones."""
    answers = {
        "free-minus": free_mm[0],
        "free-plus": free_mm[1],
        "caliper-held": held,
        **{f"ladder.{step}": [None, wrong_mm] for step, wrong_mm in misread.items()},
    }
    hand = GuardedHand(answers, scale=scale, datum_mm=60.0, play_mm=0.05)
    hand.guard(CARD, free_mm)
    return hand, play(hand)


def misreadings(right: GuardedHand, step: str) -> list[float]:
    """Return wrong values for `step`: off by this and that, or so that the scale looks right."""
    asks = {rung: right.of(Ask, f"x.ladder.{rung}") for rung in RUNGS}
    if not asks[step]:
        return []
    (here,) = asks.pop(step)
    right_mm = right.reading_mm(here)
    values = [right_mm + off_mm for off_mm in OFF_MM]
    there = [ask for asked in asks.values() for ask in asked]
    values += [right.reading_mm(ask) + here.at_mm - ask.at_mm for ask in there]
    # The engine refuses what is on no caliper; what is almost right is no misreading.
    return [one for one in values if 0.0 <= one <= 150.0 and abs(one - right_mm) > 0.1]


MISREAD = [
    (scale, free_mm, "placed")
    for scale in (0.25, 0.5, 0.8, 1.0, 1.25, 1.6, 2.0, 3.0, 4.0)
    for free_mm in ((60.0, 60.0), (100.0, 30.0), (30.0, 100.0))
]
MISREAD += [(scale, (100.0, 30.0), "mounted") for scale in (0.8, 2.0, 4.0)]


@pytest.mark.parametrize(("scale", "free_mm", "held"), MISREAD)
def test_one_misreading_never_leads_out_of_what_is_free(
    scale: float, free_mm: tuple[float, float], held: str
) -> None:
    """What the gate refuses is an error as well: nothing may depend on its refusing."""
    right, finding = climb(scale, free_mm, held, {})
    assert finding["scale"]["value"] == pytest.approx(scale, rel=0.003)
    tried = 0
    for step in RUNGS:
        for wrong_mm in misreadings(right, step):
            hand, finding = climb(scale, free_mm, held, {step: wrong_mm})
            (there,) = hand.of(Ask, f"x.ladder.{step}")
            if abs(wrong_mm - right.reading_mm(there)) > 2.0:
                assert finding["verdict"] == "measure-again", (step, wrong_mm)
                assert finding["proposal"] is None
            tried += 1
    assert tried >= 20


@pytest.mark.parametrize("minus_mm", range(40, 100, 5))
@pytest.mark.parametrize("scale", [0.8, 1.0, 1.25, 1.6])
def test_a_healthy_axis_is_never_refused_by_the_gate(minus_mm: int, scale: float) -> None:
    hand = GuardedHand({"free-minus": float(minus_mm), "free-plus": 30.0}, scale=scale)
    hand.datum_mm = 140.0
    hand.guard(CARD, (minus_mm, 30.0))
    assert play(hand)["scale"]["value"] == pytest.approx(scale, rel=0.003)
