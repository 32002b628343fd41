"""The plan for the whole bench, played by hand: what is asked first, last, and never."""

from __future__ import annotations

from typing import Any

import pytest
from fakes import CARD_TEXT, Hand, card, dialect, text_of

from tuner.card.dialect import Stop
from tuner.card.schema import Card
from tuner.messages import (
    Again,
    Approach,
    Ask,
    Checkpoint,
    Choose,
    Decided,
    Observe,
    Propose,
    Say,
    Undo,
)
from tuner.plans import bench

CARD = card()


def play(
    hand: Hand,
    axes: tuple[str, ...] = ("x",),
    card_: Card = CARD,
    network: bool = False,
    **words: Any,
) -> Any:
    return hand.play(bench.bench(card_, dialect(**words), axes, network))


@pytest.mark.parametrize(
    ("key", "answer", "says"),
    [
        ("job-running", "yes", "job-first"),
        ("job-running", "unsure", "job-first"),
        ("motor-power", "no", "power-first"),
        ("at-the-machine", False, "not-there"),
    ],
)
def test_nothing_is_opened_before_it_may_be(key: str, answer: str | bool, says: str) -> None:
    hand = Hand({key: answer})
    assert play(hand, network=key == "at-the-machine") == {}
    assert hand.of(Observe) == []
    assert hand.keys[-1] == says
    assert "start again" in text_of(hand.messages[-1])


def test_over_a_network_somebody_must_be_there() -> None:
    hand = Hand({"at-the-machine": True})
    play(hand, network=True)
    assert hand.keys.index("at-the-machine") < hand.keys.index("greeting")
    hand = Hand()
    play(hand)
    assert "at-the-machine" not in hand.keys


@pytest.mark.parametrize("key", ["job-running", "motor-power"])
def test_safety_questions_have_no_default(key: str) -> None:
    hand = Hand()
    play(hand)
    (question,) = hand.of(Choose, key)
    assert question.default == ""


def test_nothing_moves_before_the_power_switch_is_in_reach() -> None:
    hand = Hand({"power-switch": [False, False, True]})
    play(hand)
    keys = hand.keys
    assert keys.count("power-switch") == 3
    assert keys.count("power-switch-first") == 2
    first_move = next(i for i, m in enumerate(hand.messages) if isinstance(m, Approach))
    assert max(i for i, key in enumerate(keys) if key == "power-switch") < first_move


@pytest.mark.parametrize(
    ("stop", "words"),
    [
        (None, ["no stop word", "at most 2 s"]),
        (Stop("M112", True, True), ["M112", "only a request|is a request", "must be restarted"]),
        (Stop("M112", True, False), ["M112", "is a request"]),
    ],
)
def test_what_a_stop_can_do_is_said(stop: Stop | None, words: list[str]) -> None:
    hand = Hand()
    play(hand, stop=stop)
    (say,) = hand.of(Say, "stopping")
    for word in words:
        assert any(one in say.says for one in word.split("|"))
    if stop is not None and not stop.halts:
        assert "restarted" not in say.says


def test_every_line_of_a_whole_session_fits() -> None:
    hand = Hand(scale=0.8, answers={"look.pulley-teeth.16": "yes"})
    play(hand, ("x", "y"))
    for message in hand.messages:
        assert len(getattr(message, "says", "")) <= 360, message.key


def test_steps_are_counted_to_their_end() -> None:
    hand = Hand()
    result = play(hand, ("x", "y", "z"))
    steps = hand.of(Checkpoint)
    assert [one.step for one in steps] == list(range(1, len(steps) + 1))
    assert {one.of for one in steps} == {len(steps)}
    assert list(result) == ["x", "y", "z"]


def test_a_healthy_axis_is_kept() -> None:
    hand = Hand(scale=1.0)
    finding = play(hand)["x"]
    assert finding["verdict"] == "keep"
    assert len(finding["causes"]) >= 1
    draft, proposal = hand.of(Propose)
    assert (draft.draft, proposal.draft) == (True, False)
    assert hand.messages.index(draft) < hand.keys.index("leaving") < hand.messages.index(proposal)
    assert draft.finding == proposal.finding
    assert proposal.finding["verdict"] == "keep"
    assert [one["n"] for one in proposal.finding["readings"]] == list(range(1, finding["n"] + 1))
    assert hand.of(Choose, "look") == []


# --- leaving, then looking ----------------------------------------------------------------


def look_keys(hand: Hand) -> list[str]:
    return [key for key in hand.keys if ".look." in key]


@pytest.mark.parametrize(
    ("answer", "basis", "first_cause"),
    [("yes", "parts", "pulley-teeth"), ("no", None, None), ("unsure", "parts", "pulley-teeth")],
)
def test_a_wrong_pulley_is_looked_at(answer: str, basis: str | None, first_cause: str) -> None:
    # 16 teeth for 20 on a 2 mm belt: 32 for 40 mm (common practice, no source)
    hand = Hand({"x.look.pulley-teeth.16": answer}, scale=0.8)
    finding = play(hand)["x"]
    # Reading a number again costs nothing, and an unplugged controller shows none.
    number, pulley = look_keys(hand)[:2]
    assert number.startswith("x.look.stored-number.")
    assert pulley == "x.look.pulley-teeth.16"
    keys = hand.keys
    assert keys.index("leaving") < keys.index(number)
    assert keys.index(number) < keys.index("x.power-off") < keys.index(pulley)
    off = text_of(hand.of(Say, "x.power-off")[0])
    for words in ("unplug", "block a vertical axis", "never pull the plug", "generates voltage"):
        assert words in off
    assert keys.count("x.power-off") == 1
    assert len(look_keys(hand)) == len(set(look_keys(hand)))
    draft, proposal = hand.of(Propose)
    assert (draft.draft, proposal.draft) == (True, False)
    assert proposal.finding["verdict"] == finding["verdict"]
    if basis:
        assert finding["verdict"] == "change"
        assert finding["proposal"]["basis"] == basis
        assert finding["proposal"]["steps_per_mm"] == pytest.approx(100.0)
        assert finding["causes"][0]["name"] == first_cause
    else:
        named = [cause for cause in finding["causes"] if cause["p"] > 0.5]
        assert all("16 teeth" not in cause["says"] for cause in named)
    results = [one for one in hand.of(Say) if one.tag == "RESULT"]
    assert len(results) == (1 if answer == "unsure" else len(look_keys(hand)) + 1 - unsure(hand))
    nexts = hand.of(Say, "x.next")
    assert len(nexts) == len(results)
    for at, message in enumerate(hand.messages):
        if message in results:
            after = hand.messages[at + 1]
            assert (after.key, text_of(after)[:6]) == ("x.next", "next: ")
            assert "next" not in text_of(message)
    assert nexts[-1].says == f"next: {finding['next']}"


def unsure(hand: Hand) -> int:
    """How many looks were answered with unsure: those that were not foreseen."""
    return sum(key not in hand.answers for key in look_keys(hand))


def test_a_look_has_no_default() -> None:
    hand = Hand(scale=0.8)
    play(hand)
    for look in hand.of(Choose):
        if ".look." in look.key:
            assert look.options == ("yes", "no", "unsure")
            assert look.default == ""


# --- caliper ------------------------------------------------------------------------------


@pytest.mark.parametrize(("before", "after", "moved"), [
    (0.0, 0.0, False), (0.01, -0.02, False), (0.0, 0.031, True), (-0.5, 0.0, True),
])  # fmt: skip
def test_a_zero_that_moved_spoils_the_readings(before: float, after: float, moved: bool) -> None:
    answers = {"zero-first": before, "zero-last": after, "x.look.pulley-teeth.16": "yes"}
    hand = Hand(answers, scale=0.8)
    finding = play(hand)["x"]
    assert finding["verdict"] == ("measure-again" if moved else "change")
    if moved:
        assert look_keys(hand) == []
        assert finding["proposal"] is None
        assert "its zero moved" in finding["next"]
    for proposal in hand.of(Propose):
        assert proposal.finding["verdict"] == finding["verdict"]


def test_again_at_the_zero_check_asks_again() -> None:
    hand = Hand({"zero-first": [Again(), Again(), 0.0]})
    assert play(hand)["x"]["verdict"] == "keep"
    assert hand.keys.count("x.zero-first") == 3


@pytest.mark.parametrize(
    ("place", "stretch_mm"), [("outside-jaws", 0.0), ("depth-rod", 0.02), ("inside-jaws", 0.02)]
)
def test_rod_and_inside_jaws_are_less_sure(place: str, stretch_mm: float) -> None:
    sure = play(Hand({"caliper-place": "outside-jaws"}))["x"]["scale"]["u"]
    here = play(Hand({"caliper-place": place}))["x"]["scale"]["u"]
    assert (here > sure) == (stretch_mm > 0)


# --- undo and again -----------------------------------------------------------------------


def test_again_approaches_the_same_place_anew() -> None:
    hand = Hand({"near.1": [None, Again(), None]})
    play(hand)
    first, second = hand.of(Approach, "near.1")
    assert not first.fresh
    assert second.fresh
    assert first.to_mm == second.to_mm
    asks = hand.of(Ask, "near.1")
    assert asks[0] == asks[1]


def test_undo_goes_back_one_reading_and_forgets_it() -> None:
    wrong_mm = 19.99
    hand = Hand({"near.1": [None, wrong_mm], "far.1": [None, Undo()], "touched": "no"})
    result = play(hand)["x"]
    assert result["verdict"] == "keep"
    order = [one.key for one in hand.of(Ask) if one.n and ".ladder." not in one.key][:4]
    assert order == ["x.near.1", "x.far.1", "x.near.1", "x.far.1"]
    first, second = hand.of(Ask, "near.1")
    assert first == second
    assert hand.of(Approach, "near.1")[1].fresh or hand.of(Approach, "far.1")[1].fresh
    proposal = hand.of(Propose)[0].finding
    assert wrong_mm not in [one["reading_mm"] for one in proposal["readings"]]
    assert [one["n"] for one in proposal["readings"]] == list(range(1, result["n"] + 1))


@pytest.mark.parametrize("from_step", ["half", "ten"])
def test_a_wrong_first_reading_can_be_taken_back_on_the_ladder(from_step: str) -> None:
    # None answers the move before each reading.
    answers = {"ladder.start": [None, 58.0], "ladder.half": [None, Undo()]}
    if from_step == "ten":
        answers |= {"ladder.half": [None, 65.0, None, Undo()], "ladder.ten": [None, Undo()]}
    hand = Hand(answers)
    finding = play(hand)["x"]
    assert finding["verdict"] == "keep"
    low, high = hand.of(Decided, "x.scale-bounds")[1].value
    assert low < 1.0 < high
    order = [ask.key.rpartition(".")[2] for ask in hand.of(Ask) if ".ladder." in ask.key]
    backwards = ["start", "half"] if from_step == "half" else ["start", "half", "ten", "half"]
    assert order == [*backwards, "start", "half", "ten", "turn"]
    readings = hand.of(Propose)[0].finding["readings"]
    assert 58.0 not in [one["reading_mm"] for one in readings]
    assert [one["n"] for one in readings] == list(range(1, finding["n"] + 1))


def test_readings_can_be_taken_back_as_far_as_nothing_was_built_on_them() -> None:
    hand = Hand()
    play(hand)
    assert [ask.may_undo for ask in hand.of(Ask) if ask.n] == [
        False, True, True, True, False, True, True, True,
    ]  # fmt: skip
    assert not any(ask.may_undo for ask in hand.of(Ask) if not ask.n)


def test_a_reading_says_what_is_expected() -> None:
    hand = Hand(scale=0.8)
    play(hand)
    asks = [ask for ask in hand.of(Ask) if ask.n > 4]
    assert asks
    for ask in asks:
        assert ask.within_mm == 3.0
        assert abs(ask.expected_mm - hand.reading_mm(ask)) < 0.5


def test_the_card_s_layout_does_not_matter_to_the_count_of_readings() -> None:
    for scale, most in ((1.0, 8), (0.8, 8)):
        hand = Hand(scale=scale)
        finding = play(hand)["x"]
        assert finding["n"] <= most


def test_the_stored_number_is_held_against_the_parts() -> None:
    hand = Hand()
    play(hand)
    assert "that is what the parts give" in text_of(hand.of(Say, "x.stored")[0])
    other = card(CARD_TEXT.replace("steps_per_mm = 80.0", "steps_per_mm = 100.0"))
    hand = Hand()
    play(hand, card_=other)
    said = text_of(hand.of(Say, "x.stored")[0])
    assert "stored today: 100 steps per mm" in said
    assert "that is what the parts give" not in said
