"""The readings of one axis: when to stop, when to ask, and what a second placing is for."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from typing import Any

import pytest
from fakes import CARD_TEXT, Hand, card, dialect

from tuner.card.schema import Card
from tuner.messages import (
    Again,
    Approach,
    Ask,
    Choose,
    Confirm,
    Interrupted,
    Message,
    Plan,
    Propose,
    Reply,
    Say,
    Text,
    Undo,
    Value,
)
from tuner.plans import bench
from tuner.plans.ladder import climb
from tuner.plans.measure import measure
from tuner.plans.run import AxisRun

CARD = card()
LADDER = 4
# A caliper so good that the readings decide, and an axis so short that they have to.
EXACT = card(CARD_TEXT.replace("error_limit_mm = 0.03", "error_limit_mm = 0.002"))
SHORT = {"caliper-place": "outside-jaws", "free-minus": 40.0, "free-plus": 40.0}


@dataclass
class Unsteady(Hand):
    """A hand that scatters by 0.02 mm, the same for the same reading of the same seed."""

    seed: int = 1

    def reading_mm(self, ask: Ask) -> float:
        off_mm = random.Random(f"{self.seed} {ask.n}").gauss(0.0, 0.02)
        return round(super().reading_mm(ask) + off_mm, 2)


@dataclass
class Drifting(Unsteady):
    """A bench that warms up; every reading takes 20 s."""

    mm_per_min: float = 0.0

    def reply(self, message: Message) -> Reply:
        reply = super().reply(message)
        if not isinstance(message, Ask) or not message.n:
            return reply
        assert isinstance(reply, Value)
        return Value(reply.value + self.mm_per_min * message.n / 3.0, 20.0 * message.n)


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


def test_what_no_part_explains_is_measured_until_the_caliper_is_the_limit() -> None:
    hand = Hand({"place-anew": False}, scale=1.007)
    finding = play(hand)
    assert (finding["verdict"], finding["proposal"]) == ("measure-again", None)
    assert finding["place_anew"]
    assert [ask.seat for ask in measured(hand)] == [1, 1, 1, 1, 2, 3, 4, 5]
    (outlook,) = hand.of(Say, "x.outlook")
    assert "more readings will not bring it to the 0.05 %" in outlook.says
    assert "use a longer base" in outlook.says


def test_after_each_further_reading_it_is_said_how_many_more_reach_what_is_wanted() -> None:
    hand = Unsteady({"place-anew": False, **SHORT}, scale=1.007)
    finding = play(hand, card_=EXACT)
    said = [one.says for one in hand.of(Say, "x.outlook")]
    more = [int(one.split("about ")[1].split()[0]) for one in said[:-1]]
    assert len(more) >= 3
    assert all(abs(one - (len(more) - at)) <= 4 for at, one in enumerate(more))
    assert "within the 0.05 % that are wanted" in said[-1]
    assert finding["n"] == LADDER + 4 + len(more)
    assert finding["scale"]["U"] <= 0.0005 * finding["scale"]["value"]


def test_after_every_reading_from_the_fourth_it_is_seen_whether_that_is_enough() -> None:
    hand = Hand({"free-minus": 24.0, "free-plus": 24.0}, scale=0.873)
    play(hand)
    seen = [at for at, one in enumerate(hand.messages) if one.key == "x.outlook"]
    asked = [hand.messages.index(ask) for ask in measured(hand) if ask.seat == 1]
    assert len(asked) > 4
    for reading, then in zip(asked[3:], [*asked[4:], len(hand.messages)], strict=True):
        assert any(reading < at < then for at in seen)
    assert not any(at < asked[3] for at in seen)


def test_a_healthy_axis_too_short_for_a_turn_is_not_read_for_ever() -> None:
    hand = Hand({"free-minus": 15.0, "free-plus": 15.0})
    finding = play(hand)
    assert (finding["verdict"], finding["n"]) == ("measure-again", LADDER + 4)
    assert "one turn is 40.0 mm" in finding["not_tested"]["periodic"]
    (unseen,) = hand.of(Say, "cannot-see")
    assert finding["not_tested"]["periodic"] in unseen.says
    (outlook,) = hand.of(Say, "outlook")
    assert "a whole number of turns apart" in outlook.says


def test_a_wrong_pulley_is_named_on_thirty_millimetres() -> None:
    hand = Hand({"free-minus": 15.0, "free-plus": 15.0}, scale=0.8)
    finding = play(hand)
    assert (finding["verdict"], finding["n"]) == ("change", LADDER + 4)
    assert finding["causes"][0]["name"] == "pulley-teeth"


# --- repeats ------------------------------------------------------------------------------


def test_repeats_move_nothing_and_are_no_readings_of_the_fit() -> None:
    hand = Hand({"place-anew": False}, scale=1.007)
    finding = play(hand)
    first, *seats = [ask for ask in measured(hand) if ask.key == "x.near.2"]
    assert [ask.seat for ask in seats] == [2, 3, 4, 5]
    assert [ask.n for ask in seats] == [first.n + more for more in (1, 2, 3, 4)]
    assert {(ask.at_mm, ask.approach) for ask in seats} == {(first.at_mm, first.approach)}
    at = hand.messages.index(seats[0])
    assert hand.messages[at : at + 4] == seats
    assert "lifted off" in hand.messages[at - 1].says  # type: ignore[union-attr]
    assert all("seat it again" in ask.says for ask in seats)
    assert finding["n"] == LADDER + 4
    readings = hand.of(Propose)[-1].finding["readings"]
    assert [one["n"] for one in readings] == list(range(1, LADDER + 4 + 4 + 1))


def test_repeats_show_the_hand() -> None:
    shaky = [None, *(16.70 + off for off in (0.1, -0.1, 0.1, -0.1, 0.1))]
    steady = play(Hand({"place-anew": False}, scale=1.007))
    unsteady = play(Hand({"place-anew": False, "near.2": shaky}, scale=1.007))
    assert unsteady["scale"]["U"] > 1.2 * steady["scale"]["U"]


def test_a_repeat_can_be_taken_back_and_the_reading_before_cannot() -> None:
    right_mm = 16.7
    answers = {"near.2": [None, right_mm, right_mm, 15.0, Undo(), right_mm]}
    hand = Hand({"place-anew": False, **answers}, scale=1.007)
    play(hand)
    seats = [ask for ask in measured(hand) if ask.seat > 1]
    assert [ask.seat for ask in seats] == [2, 3, 4, 3, 4, 5]
    assert [ask.may_undo for ask in seats] == [False, True, True, True, True, True]
    assert 15.0 not in [one["reading_mm"] for one in hand.of(Propose)[-1].finding["readings"]]


def test_a_repeat_that_came_late_is_approached_anew() -> None:
    hand = Hand({"place-anew": False, "near.2": [None, 16.7, Again()]}, scale=1.007)
    play(hand)
    moves = hand.of(Approach, "near.2")
    assert [move.fresh for move in moves] == [False, True]
    assert [ask.seat for ask in measured(hand) if ask.seat > 1] == [2, 2, 3, 4, 5]


# --- readings that look misread -----------------------------------------------------------


def test_a_misread_reading_is_pointed_at_and_taken_again() -> None:
    hand = Hand({"far.2": [None, 139.0]})
    finding = play(hand)
    (said,) = hand.of(Say, "suspect")
    for words in ("Reading 7 was 139.00 mm", "should be 137.00 mm", "one digit", "once more"):
        assert words in said.says
    again = measured(hand)[-1]
    assert (again.key, again.n, again.replaces) == ("x.again.7", LADDER + 5, 7)
    assert (again.at_mm, again.approach) == (77.0, "minus")
    assert again.expected_mm == pytest.approx(137.0, abs=0.02)
    assert not again.may_undo
    assert (finding["verdict"], finding["n"]) == ("keep", LADDER + 4)
    assert finding["suspect_readings"] == []
    readings = hand.of(Propose)[-1].finding["readings"]
    assert [one["n"] for one in readings if one["suspect"]] == [7]
    assert [one["reading_mm"] for one in readings if one["suspect"]] == [139.0]
    assert readings[-1]["n"] == LADDER + 5


def test_exchanged_readings_are_taken_again_as_a_pair() -> None:
    hand = Hand({"near.1": [None, 137.0], "far.1": [None, 17.04], "touched": "no"})
    finding = play(hand)
    assert [ask.replaces for ask in measured(hand)] == [0, 0, 0, 0, 5, 6]
    said = [one.says for one in hand.of(Say, "suspect")]
    assert ["exchanged with reading" in one for one in said] == [True, True]
    assert finding["verdict"] == "keep"


def test_what_is_misread_twice_the_same_is_no_misreading() -> None:
    hand = Hand({"far.1": [None, 130.0], "again.6": [None, 130.0], "touched": "no"})
    finding = play(hand)
    assert (finding["verdict"], finding["proposal"]) == ("measure-again", None)
    assert "readings 6 and 9 of one place came out the same" in finding["next"]
    assert [one["n"] for one in hand.of(Propose)[-1].finding["readings"]] == list(range(1, 10))
    assert [ask.key for ask in measured(hand)][-1] == "x.again.6"


def test_a_reading_taken_again_can_be_taken_back() -> None:
    right = Unsteady({"place-anew": False, **SHORT}, scale=1.007)
    play(right, card_=EXACT)
    (ask,) = right.of(Ask, "near.3")
    again = f"again.{ask.n}"
    wrong_mm = right.reading_mm(ask) - 1.0
    answers = {"near.3": [None, wrong_mm], again: [None, wrong_mm + 0.9], "far.3": [None, Undo()]}
    hand = Unsteady({"place-anew": False, **SHORT, **answers}, scale=1.007)
    play(hand, card_=EXACT)
    first, second = hand.of(Ask, again)
    assert first == second
    assert first.n == ask.n + 1
    readings = hand.of(Propose)[-1].finding["readings"]
    assert [one["reading_mm"] for one in readings if one["suspect"]] == [wrong_mm]
    assert wrong_mm + 0.9 not in [one["reading_mm"] for one in readings]
    assert [one["n"] for one in readings] == list(range(1, len(readings) + 1))


@pytest.mark.parametrize("seed", range(40))
def test_good_readings_of_an_unsteady_hand_are_not_taken_again(seed: int) -> None:
    hand = Unsteady(seed=seed, play_mm=0.05)
    finding = play(hand)
    assert hand.of(Say, "suspect") == []
    assert (finding["verdict"], finding["n"]) == ("keep", LADDER + 4)


@pytest.mark.parametrize("step", ["near.1", "far.1", "far.2", "near.2"])
@pytest.mark.parametrize("off_mm", [0.5, -1.0, 2.5])
@pytest.mark.parametrize("scale", [1.0, 0.8])
def test_one_misreading_anywhere_is_found_and_mended(
    step: str, off_mm: float, scale: float
) -> None:
    right = Unsteady(scale=scale)
    play(right)
    (ask,) = right.of(Ask, step)
    hand = Unsteady({step: [None, right.reading_mm(ask) + off_mm]}, scale=scale)
    finding = play(hand)
    assert finding["verdict"] == ("keep" if scale == 1.0 else "change")
    assert finding["scale"]["value"] == pytest.approx(scale, abs=1.5 * finding["scale"]["U"])
    assert [one["n"] for one in hand.of(Propose)[-1].finding["readings"] if one["suspect"]] == [
        ask.n
    ]


# --- jumps --------------------------------------------------------------------------------


@dataclass
class Jumping(Unsteady):
    """An axis that jumps just before one of its readings, and stays there."""

    before: int = LADDER + 2
    by_mm: float = 0.0

    def reading_mm(self, ask: Ask) -> float:
        return round(super().reading_mm(ask) + self.by_mm * (ask.n >= self.before), 2)


@pytest.mark.parametrize(
    ("by_mm", "says"), [(-0.8, "1 lost cycle of the motor"), (2.0, "1 tooth of the belt")]
)
@pytest.mark.parametrize("before", [LADDER + 1, LADDER + 2])
def test_a_jump_is_found_and_not_taken_for_misreadings(
    by_mm: float, says: str, before: int
) -> None:
    hand = Jumping(by_mm=by_mm, before=before)
    finding = play(hand)
    assert (finding["verdict"], finding["proposal"]) == ("repair-first", None)
    assert says in finding["next"]
    (jump,) = finding["jumps"]
    assert jump["before"] == before
    assert jump["size_mm"] == pytest.approx(by_mm, abs=0.1)
    # One reading came out the same again, so no other was asked for.
    assert len(hand.of(Say, "suspect")) <= 1


@pytest.mark.parametrize("by_mm", [-0.8, -0.37, 2.0])
def test_a_jump_before_the_last_reading_changes_nothing(by_mm: float) -> None:
    hand = Jumping(by_mm=by_mm, before=LADDER + 4)
    finding = play(hand)
    assert finding["verdict"] in ("cannot-tell", "repair-first", "measure-again")
    assert finding["proposal"] is None
    assert [ask.replaces for ask in measured(hand)] == [0, 0, 0, 0, LADDER + 4]
    readings = hand.of(Propose)[-1].finding["readings"]
    assert [one["n"] for one in readings] == list(range(1, LADDER + 6))


@pytest.mark.parametrize(
    ("by_mm", "says"), [(-0.8, "1 lost cycle of the motor"), (2.0, "1 tooth of the belt")]
)
def test_a_jump_where_the_side_changes_is_no_play(by_mm: float, says: str) -> None:
    hand = Jumping(by_mm=by_mm, before=LADDER + 3)
    finding = play(hand)
    assert (finding["verdict"], finding["proposal"]) == ("repair-first", None)
    assert says in finding["next"]
    assert [one.says for one in hand.of(Say, "outlook") if "jump between both sides" in one.says]


def test_play_costs_one_reading_more_than_none() -> None:
    hand = Unsteady(play_mm=0.3)
    finding = play(hand)
    assert finding["verdict"] == "keep"
    assert finding["play_mm"]["value"] == pytest.approx(0.3, abs=0.06)
    assert len(measured(hand)) == 5


def test_a_zero_that_stayed_says_that_a_jump_was_the_machine() -> None:
    finding = play(Jumping(by_mm=-0.8))
    assert finding["verdict"] == "repair-first"
    assert "lost-steps" in [cause["name"] for cause in finding["causes"]]


# --- times --------------------------------------------------------------------------------


def test_a_drift_is_seen_and_does_not_touch_the_scale() -> None:
    hand = Drifting(mm_per_min=0.05)
    finding = play(hand)
    assert finding["verdict"] == "keep"
    assert finding["drift_mm_per_min"]["value"] == pytest.approx(0.05, abs=0.02)
    assert [one["time_s"] for one in hand.of(Propose)[-1].finding["readings"]] == [
        20.0 * n for n in range(1, LADDER + 4 + 1)
    ]


def test_without_times_drift_is_not_tested() -> None:
    assert play(Hand())["not_tested"]["drift_mm_per_min"] == "no times given"


# --- taken up again -----------------------------------------------------------------------


@dataclass
class CutOff(Unsteady):
    """A hand whose session is cut off at a reading, and that places the caliper elsewhere then."""

    at: int = 0

    def play(self, plan: Plan) -> Any:
        message = next(plan)
        asked = 0
        try:
            while True:
                self.messages.append(message)
                asked += isinstance(message, Ask) and message.n > 0
                if isinstance(message, Ask) and message.n and asked == self.at:
                    self.datum_mm += 1.7
                    message = plan.throw(Interrupted())
                else:
                    message = plan.send(self.reply(message))
        except StopIteration as ended:
            return ended.value


@pytest.mark.parametrize("at", range(LADDER + 1, LADDER + 5))
@pytest.mark.parametrize(("scale", "verdict"), [(1.0, "keep"), (0.8, "change")])
def test_only_what_is_missing_is_read_after_an_interruption(
    at: int, scale: float, verdict: str
) -> None:
    hand = CutOff(scale=scale, at=at)
    finding = play(hand)
    assert finding["verdict"] == verdict
    assert finding["scale"]["value"] == pytest.approx(scale, abs=1.5 * finding["scale"]["U"])
    before = at - 1 - LADDER
    # Half a pair stands on a datum that is gone, so the whole pair is read again.
    again = 4 - before + before % 2
    assert visits(hand) == [1] * (at - 1) + [2] * (LADDER + again)
    assert [ask.n for ask in hand.of(Ask) if ask.n and ask.visit == 2] == [
        at + more for more in range(LADDER + again)
    ]


@pytest.mark.parametrize("at", range(LADDER + 5, LADDER + 13))
def test_a_measured_value_survives_an_interruption(at: int) -> None:
    """Cut off in the repeats, and in the second placing."""
    hand = CutOff(scale=1.007, at=at)
    finding = play(hand)
    assert (finding["verdict"], finding["proposal"]["basis"]) == ("change", "measured")
    assert finding["scale"]["value"] == pytest.approx(1.007, abs=1.5 * finding["scale"]["U"])
    assert len(hand.of(Confirm, "place-anew")) == 1
    readings = hand.of(Propose)[-1].finding["readings"]
    assert [one["n"] for one in readings] == list(range(1, len(readings) + 1))


def test_begun_again_with_nothing_missing_it_asks_nothing_and_finds_the_same() -> None:
    run = AxisRun(CARD.axes["x"], CARD.caliper, error_limit_mm=0.05)
    hand = Unsteady()
    hand.play(climbed_and_measured(run))
    finding, asked = run.finding, len(hand.of(Ask))
    hand.play(measure(run))
    assert run.finding == finding
    assert len(hand.of(Ask)) == asked


def climbed_and_measured(run: AxisRun) -> Plan:
    yield from climb(run, may_reference=False)
    yield from measure(run)


# --- a spacer block -----------------------------------------------------------------------


def test_a_block_makes_the_base_longer() -> None:
    free = {"free-minus": 60.0, "free-plus": 155.0}
    without = TwicePlaced(free, scale=1.007, second_scale=1.007)
    short = play(without)
    hand = TwicePlaced(
        {**free, "block": "gauge-block", "block-length": 80.0}, scale=1.007, second_scale=1.007
    )
    finding = play(hand)
    (offer,) = hand.of(Choose, "x.block")
    (length,) = hand.of(Text, "x.block-length")
    assert f"{length.high_mm:.0f} mm long" in offer.says
    first, second = hand.of(Say, "x.plan")
    assert "80 mm block" not in first.says
    assert "80 mm block stands between datum and caliper" in second.says
    asks = [ask for ask in measured(hand) if ask.visit == 2]
    assert [ask.block_mm for ask in asks[:4]] == [0.0, 80.0, 80.0, 0.0]
    assert asks[0].says.startswith("Without the block")
    assert asks[1].says.startswith("With the 80 mm block")
    assert all(10.0 <= hand.reading_mm(ask) <= 149.0 for ask in asks)
    assert (finding["verdict"], short["verdict"]) == ("change", "change")
    assert finding["scale"]["value"] == pytest.approx(1.007, abs=finding["scale"]["U"])
    assert finding["scale"]["U"] < 0.85 * short["scale"]["U"]
    readings = hand.of(Propose)[-1].finding["readings"]
    by_n = {one["n"]: one["reading_mm"] for one in readings}
    assert by_n[asks[1].n] == pytest.approx(hand.reading_mm(asks[1]) + 80.0)


def test_a_bar_is_less_well_known_than_a_gauge_block() -> None:
    answers = {"free-minus": 60.0, "free-plus": 155.0, "block-length": 80.0}
    gauge, bar = (
        play(TwicePlaced({**answers, "block": kind}, scale=1.007, second_scale=1.007))
        for kind in ("gauge-block", "measured-bar")
    )
    assert bar["scale"]["U"] > gauge["scale"]["U"]


@pytest.mark.parametrize(
    "answers", [{"free-plus": 90.0}, {"caliper-held": "mounted", "free-plus": 155.0}]
)
def test_no_block_is_offered_where_it_helps_nothing(answers: dict[str, Any]) -> None:
    hand = Hand({"place-anew": False, "free-minus": 60.0, **answers}, scale=1.007)
    play(hand)
    assert hand.of(Choose, "x.block") == []
    assert len(hand.of(Confirm, "place-anew")) == 1


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
    assert finding["look"]["key"] == "stored-number"
    assert not finding["place_anew"]
    assert visits(hand) == [1] * (LADDER + 4 + 4) + [2] * 4
    assert finding["n"] == LADDER + 4 + 4


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
    assert finding["n"] == LADDER + 4
    assert visits(once) == [1] * (LADDER + 4 + 4)


def test_the_second_placing_expects_nothing_before_it_was_read_once() -> None:
    """The datum is new: 20 mm elsewhere is right, and only then a place has to fit the first."""
    hand = TwicePlaced(scale=1.007, second_scale=1.007, second_datum_mm=80.0)
    assert play(hand)["verdict"] == "change"
    first, second, *_ = [ask for ask in measured(hand) if ask.visit == 2]
    assert first.expected_mm is None
    assert second.expected_mm == pytest.approx(hand.reading_mm(second), abs=0.1)
    assert second.within_mm == 3.0
    assert hand.of(Choose, "touched") == []


def test_nothing_of_the_first_placing_can_be_taken_back_in_the_second() -> None:
    hand = TwicePlaced(scale=1.007, second_scale=1.007)
    play(hand)
    for visit in (1, 2):
        may_undo = [ask.may_undo for ask in measured(hand) if ask.visit == visit and ask.seat == 1]
        assert may_undo == [False, True, True, True]


def test_both_placings_read_the_same_places() -> None:
    hand = TwicePlaced(scale=1.007, second_scale=1.007)
    play(hand)
    first, second = (
        [(ask.at_mm, ask.approach) for ask in measured(hand) if ask.visit == n and ask.seat == 1]
        for n in (1, 2)
    )
    assert first == second
    assert [(one.to_mm, one.approach) for one in hand.of(Approach, ".near.1")] == [first[0]] * 2


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
    after = hand.keys[hand.keys.index("x.touched") :]
    assert any(".near.2" in key for key in after) == goes_on
    assert "x.zero-last" in after
    if goes_on:
        assert (finding["verdict"], finding["n"]) == ("keep", LADDER + 4)
        assert [ask.replaces for ask in measured(hand)] == [0, 0, 0, 0, LADDER + 2]
    else:
        assert (finding["verdict"], finding["proposal"]) == ("measure-again", None)
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
    assert replace(plan, says="", fields=()) == Say(key="x.plan")


# --- how fast was tried ---------------------------------------------------------------------


def test_a_number_that_is_kept_says_how_fast_was_tried() -> None:
    """An axis that loses steps at 100 mm/s is measured at 25 and looks sound."""
    hand = Hand()
    finding = play(hand)
    assert finding["verdict"] == "keep"
    for said in (finding["next"], finding["not_tested"]["feeds"]):
        assert "nly feeds up to 25 mm/s were tried" in said and "--test lost-steps" in said
    fastest = max(one.feed_mm_per_min for one in hand.of(Approach) if one.key != "x.first")
    assert fastest == 25 * 60
    assert all(len(one.says) + len(one.key) < 380 for one in hand.of(Say, "x.next"))


# --- the stored number is read again before a measured one is set ----------------------------


@pytest.mark.parametrize(
    ("seen", "verdict", "then"),
    [
        ("unsure", "change", "first read the stored number again"),
        ("no", "change", "set the number by hand"),
        ("yes", "measure-again", "the controller holds another number"),
    ],
)
def test_a_measured_number_waits_for_a_look_at_the_stored_one(
    seen: str, verdict: str, then: str
) -> None:
    hand = TwicePlaced(scale=1.007, second_scale=1.007, answers={"look.stored-number": seen})
    finding = play(hand)
    assert len(hand.of(Choose, "x.look.stored-number")) == 1
    assert finding["verdict"] == verdict
    assert finding["next"].startswith(then)
    assert (finding["proposal"] is None) == (seen == "yes")
    assert hand.of(Propose)[-1].finding["next"] == finding["next"]
