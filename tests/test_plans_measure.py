"""The readings of one axis: when to stop, when to ask, and what a second placing is for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import pytest
from fakes import Hand, card, dialect

from tuner.card.schema import Card
from tuner.messages import Approach, Ask, Choose, Confirm, Decided, Message, Propose, Reply, Say
from tuner.plans import bench

CARD = card()
LADDER = 4


@dataclass
class TwicePlaced(Hand):
    """A hand that places the caliper anew when asked to: then it reads something else."""

    second_scale: float = 1.0
    second_datum_mm: float = 63.0

    def reply(self, message: Message) -> Reply:
        reply = super().reply(message)
        if isinstance(message, Confirm) and message.key == "x.place-anew":
            self.scale, self.datum_mm = self.second_scale, self.second_datum_mm
        return reply


def play(hand: Hand, axis: str = "x", card_: Card = CARD) -> dict[str, Any]:
    result = hand.play(bench.bench(card_, dialect(), [axis], False))
    return dict(result[axis])


def measured(hand: Hand) -> list[Ask]:
    """The readings after the ladder, in order."""
    return [one for one in hand.of(Ask) if one.n and ".ladder." not in one.key]


def visits(hand: Hand) -> list[int]:
    return [one["visit"] for one in hand.of(Propose)[-1].finding["readings"]]


# --- when to stop -------------------------------------------------------------------------


@pytest.mark.parametrize(("scale", "verdict"), [(1.0, "keep"), (0.8, "change")])
def test_what_parts_explain_takes_four_readings(scale: float, verdict: str) -> None:
    hand = Hand(scale=scale)
    finding = play(hand)
    assert (finding["verdict"], finding["n"]) == (verdict, LADDER + 4)
    assert finding["value_known"]
    assert "x.goes-on" not in hand.keys
    assert hand.of(Confirm, "place-anew") == []


def test_what_no_part_explains_takes_every_reading_there_is() -> None:
    hand = Hand({"place-anew": False}, scale=0.873)
    finding = play(hand)
    assert hand.keys.count("x.goes-on") == 1
    assert finding["n"] == LADDER + 10
    assert finding["verdict"] == "measure-again"
    assert finding["place_anew"]
    assert finding["proposal"] is None


def test_after_every_reading_from_the_fourth_it_is_seen_whether_the_value_is_known() -> None:
    hand = Hand({"place-anew": False}, scale=0.873)
    play(hand)
    known = [at for at, one in enumerate(hand.messages) if one.key == "x.value-known"]
    assert [hand.messages[at].value for at in known] == [False] * 7  # type: ignore[union-attr]
    asked = [hand.messages.index(ask) for ask in measured(hand)]
    for reading, at, then in zip(asked[3:], known, [*asked[4:], None], strict=True):
        assert reading < at
        assert then is None or at < then


def test_readings_stop_with_the_first_one_that_makes_the_value_known() -> None:
    # 20 mm of free travel each way: a healthy axis needs one reading more than four.
    hand = Hand({"free-minus": 20.0, "free-plus": 20.0}, play_mm=0.05)
    finding = play(hand)
    known = [one.value for one in hand.of(Decided, "value-known")]
    assert known == [False, True]
    assert (finding["verdict"], finding["n"]) == ("keep", LADDER + 5)


# --- a second placing ---------------------------------------------------------------------


def test_a_measured_value_is_asked_to_be_placed_anew() -> None:
    hand = TwicePlaced(scale=1.007, second_scale=1.007)
    finding = play(hand)
    (question,) = hand.of(Confirm, "place-anew")
    for word in ("second placing", "away", "anew", "once more"):
        assert word in question.says
    assert finding["verdict"] == "change"
    assert finding["proposal"]["basis"] == "measured"
    # 80 steps per mm that travel 1.007 mm for 1: 80 / 1.007 (exact by definition)
    assert finding["proposal"]["steps_per_mm"] == pytest.approx(80.0 / 1.007, rel=5e-4)
    assert finding["proposal"]["changes"] == {
        "stored.steps_per_mm": finding["proposal"]["steps_per_mm"]
    }
    assert not finding["place_anew"]
    assert visits(hand) == [1] * (LADDER + 10) + [2] * (finding["n"] - LADDER - 10)
    assert finding["n"] - LADDER - 10 >= 4


# 0.2 % apart, which one fit of both would still take for the unsteadiness of a hand, and far apart.
@pytest.mark.parametrize("second_scale", [1.0052, 1.009, 1.0, 1.014, 0.993])
def test_placings_that_disagree_change_nothing(second_scale: float) -> None:
    hand = TwicePlaced(scale=1.007, second_scale=second_scale)
    finding = play(hand)
    assert (finding["verdict"], finding["proposal"]) == ("measure-again", None)
    assert "do not agree" in finding["next"] or "scatter" in finding["next"]
    assert len(hand.of(Confirm, "place-anew")) == 1
    assert set(visits(hand)) == {1, 2}


def test_what_is_not_placed_anew_stays_as_it_is() -> None:
    once = Hand({"place-anew": False}, scale=1.007)
    finding = play(once)
    assert (finding["verdict"], finding["proposal"]) == ("measure-again", None)
    assert finding["n"] == LADDER + 10
    assert visits(once) == [1] * (LADDER + 10)


def test_the_second_placing_expects_nothing_before_it_was_read_once() -> None:
    """The datum is new: 20 mm elsewhere is right, and only then a place has to fit the first."""
    hand = TwicePlaced(scale=1.007, second_scale=1.007, second_datum_mm=80.0)
    assert play(hand)["verdict"] == "change"
    first, second, *_ = measured(hand)[10:]
    assert first.expected_mm is None
    assert second.expected_mm == pytest.approx(hand.reading_mm(second), abs=0.1)
    assert second.within_mm == 3.0
    assert hand.of(Choose, "touched") == []


def test_nothing_of_the_first_placing_can_be_taken_back_in_the_second() -> None:
    hand = TwicePlaced(scale=1.007, second_scale=1.007)
    play(hand)
    may_undo = [ask.may_undo for ask in measured(hand)]
    assert may_undo[:10] == [False] + [True] * 9
    assert may_undo[10:] == [False] + [True] * (len(may_undo) - 11)


def test_both_placings_read_the_same_places() -> None:
    hand = TwicePlaced(scale=1.007, second_scale=1.007)
    play(hand)
    asks = [(ask.at_mm, ask.approach) for ask in measured(hand)]
    assert asks[:4] == asks[10:14]
    assert [(one.to_mm, one.approach) for one in hand.of(Approach, ".near.1")[::2]][:1] == asks[:1]


# --- readings that nothing explains -------------------------------------------------------


def off_by(off_mm: float, step: str = "far.1", **more: Any) -> Hand:
    right = Hand()
    play(right)
    (ask,) = right.of(Ask, f"x.{step}")
    return Hand({step: [None, right.reading_mm(ask) + off_mm], **more})


@pytest.mark.parametrize(("answer", "goes_on"), [("yes", False), ("unsure", False), ("no", True)])
@pytest.mark.parametrize("off_mm", [3.1, -3.1, 20.0, -25.0])
def test_an_unexplained_reading_asks_whether_the_axis_was_touched(
    answer: str, goes_on: bool, off_mm: float
) -> None:
    hand = off_by(off_mm, touched=answer)
    finding = play(hand)
    (question,) = hand.of(Choose, "x.touched")
    assert question.options == ("yes", "no", "unsure")
    assert question.default == ""
    assert (finding["verdict"], finding["proposal"]) == ("measure-again", None)
    after = hand.keys[hand.keys.index("x.touched") :]
    assert any(".near.2" in key for key in after) == goes_on
    assert "x.zero-last" in after
    if not goes_on:
        assert finding["n"] == LADDER + 2
        assert finding["scale"] is None
        assert "may have moved by hand" in finding["next"]
        assert [one for one in hand.messages[-len(after) :] if isinstance(one, Approach)] == []


@pytest.mark.parametrize("off_mm", [0.0, 2.9, -2.9])
def test_a_reading_near_what_was_expected_asks_nothing(off_mm: float) -> None:
    hand = off_by(off_mm)
    play(hand)
    assert hand.of(Choose, "touched") == []


# --- no room ------------------------------------------------------------------------------


def test_where_there_is_no_room_to_measure_it_cannot_be_told() -> None:
    hand = Hand({"free-minus": 6.0, "free-plus": 9.0}, play_mm=0.05)
    finding = play(hand)
    assert (finding["verdict"], finding["n"]) == ("cannot-tell", LADDER)
    assert "to measure over" in finding["next"]
    assert "more free travel" in finding["next"]
    assert finding["scale"] is None
    assert measured(hand) == []
    assert "x.zero-last" in hand.keys
    assert [one.finding["verdict"] for one in hand.of(Propose)] == ["cannot-tell"] * 2
    readings = hand.of(Propose)[-1].finding["readings"]
    assert len(readings) == LADDER


def test_the_plan_is_said_before_its_readings() -> None:
    hand = Hand()
    play(hand)
    (plan,) = hand.of(Say, "x.plan")
    assert "4 readings first" in plan.says
    assert "up to 10" in plan.says
    assert hand.messages.index(plan) < hand.messages.index(measured(hand)[0])
    assert replace(plan, says="") == Say(key="x.plan")
