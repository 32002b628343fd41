"""The ladder: the first moves of an axis nobody knows anything about yet."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

import pytest
from fakes import CARD_TEXT, Hand, SetClock, card, dialect

from tuner.card.schema import Card
from tuner.errors import OutsideEnvelope
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
)  # fmt: skip
from tuner.plans import bench
from tuner.plans.first_move import BRANCHES, FIRST_MOVES
from tuner.safety.gate import Gate, Group

CARD = card()


class GuardedHand(Hand):
    """A hand that lets every move through a real gate, and knows where the axis truly is.

    `free_mm` is what is truly free each way; leaving it is an error, as is what the gate
    refuses.
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
        ("nothing", "not-powered", "motor power on"),
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
    assert [one.finding["verdict"] for one in hand.of(Propose)] == ["repair-first"]
    if "power off" in finding["next"]:
        assert "unplugged" in finding["next"]


def test_about_right_goes_on() -> None:
    assert len(Hand().of(Approach)) == 0
    hand = Hand()
    assert play(hand)["verdict"] == "keep"
    assert len(hand.of(Approach)) > 4


@pytest.mark.parametrize("seen", ["nothing", "shakes"])
def test_after_a_look_the_free_travel_is_declared_anew(seen: str) -> None:
    hand = Hand({"first-move": [seen, seen, "about-right"], "after-look": "try-again"})
    assert play(hand)["verdict"] == "keep"
    for key in ("x.free-minus", "x.free-plus", "x.first"):
        assert hand.keys.count(key) == 3
    declared = [m.value for m in hand.of(Decided, "x.limits") if m.value.at_mm is not None]
    assert [(one.at_mm, one.direction_seen) for one in declared] == [(0.0, False)] * 3
    visits = {one["visit"] for one in hand.of(Propose)[0].finding["readings"]}
    assert visits == {3}


def test_what_still_moves_is_not_measured() -> None:
    hand = Hand({"still": "no"})
    finding = play(hand)
    assert finding["verdict"] == "cannot-tell"
    assert "before the move has ended" in finding["next"]
    assert len(hand.of(Approach)) == 1


def test_what_gives_way_is_repaired_first() -> None:
    hand = Hand({"holds": "no"})
    finding = play(hand)
    assert finding["verdict"] == "repair-first"
    assert finding["causes"][0]["name"] == "motor-released"
    assert len(hand.of(Approach)) == 1


def test_answers_that_safety_hangs_on_have_no_default() -> None:
    hand = Hand()
    play(hand)
    for key in ("still", "first-move", "holds"):
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
    hand = Hand()
    play(hand, axis)
    turn_mm = {"x": 40.0, "y": 40.0, "z": 8.0}[axis]
    bounds = 25.4
    for message in hand.messages:
        if isinstance(message, Decided) and isinstance(message.value, Limits):
            bounds = message.value.scale_high
        if isinstance(message, Approach) and (
            ".ladder." in message.key or message.key.endswith(".first")
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


@pytest.mark.parametrize(("agreed", "verdict"), [("yes", "keep"), ("no", "repair-first")])
def test_a_reading_that_falls_is_asked_about(agreed: str, verdict: str) -> None:
    hand = Hand({"reading-direction": agreed}, grows=-1)
    finding = play(hand)
    assert finding["verdict"] == verdict
    (question,) = hand.of(Choose, "reading-direction")
    assert question.default == ""
    if agreed == "no":
        assert finding["causes"][0]["name"] == "reversed"


@pytest.mark.parametrize("scale", [0.0, 0.04])
def test_a_caliper_that_saw_no_move(scale: float) -> None:
    finding = play(Hand(scale=scale))
    assert finding["verdict"] == "repair-first"
    assert finding["causes"][0]["name"] == "move-not-made"


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
    after = hand.of(Decided, "x.limits")[2].value
    assert (after.at_mm, after.minus_mm, after.plus_mm) == (0.0, 0.0, 220.0)
    assert {one["visit"] for one in hand.of(Propose)[0].finding["readings"]} == {2}


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
    assert [one.what for one in hand.of(Observe)] == ["greeting", "temperatures", "leaving"]


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
    assert after.minus_mm <= 0.0 <= after.plus_mm


# --- what a person may mistype ------------------------------------------------------------

@pytest.mark.parametrize("minus_mm", [100.0, 30.0])
@pytest.mark.parametrize(
    ("step", "off_mm"),
    [
        (step, off)
        for step in ("start", "ten", "turn")
        for off in (-30.0, -20.0, -8.0, 8.0, 20.0, 30.0)
    ],
)
def test_one_gross_misreading_on_the_ladder_does_not_leave_what_is_free(
    step: str, off_mm: float, minus_mm: float
) -> None:
    free_mm = (minus_mm, 130.0 - minus_mm)
    answers = {"free-minus": free_mm[0], "free-plus": free_mm[1], "reading-direction": "no"}
    right = GuardedHand(answers)
    right.guard(CARD, free_mm)
    play(right)
    (ask,) = right.of(Ask, f"x.ladder.{step}")
    wrong_mm = right.reading_mm(ask) + off_mm
    hand = GuardedHand({**answers, f"ladder.{step}": [None, wrong_mm]})
    hand.guard(CARD, free_mm)
    with suppress(OutsideEnvelope):  # the gate may end it; nothing may leave
        play(hand)
