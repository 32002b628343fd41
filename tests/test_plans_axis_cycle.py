"""The axis test on the rehearsal machine, and against a hand of known play and scatter."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import pytest
from cut_off import CutOff, cut_off_at, resume
from fakes import Hand, card, dialect
from procedures_world import TESTS, Case, findings_in, hold

from tuner.card.read import parse_card
from tuner.messages import Approach, Ask, Checkpoint, Interrupted, Message, Say
from tuner.plans.axis_cycle import axis_cycle
from tuner.session.logbook import Logbook
from tuner.session.replay import replay

CI_SEEDS = 5
PLAY_MM = 0.2
BOWED_MM = 0.1


class Bowed(Hand):
    """A hand at an axis whose middle stands off, with play and no scatter of its own."""

    def reading_mm(self, ask: Ask) -> float:
        bow_mm = BOWED_MM if 10.0 < ask.at_mm < 60.0 else 0.0
        return round(super().reading_mm(ask) + bow_mm, 2)


@cache
def played() -> tuple[Hand, dict[str, Any]]:
    hand = Bowed(play_mm=PLAY_MM)
    result = hand.play(axis_cycle(card(), dialect(), ("x",), network=False))
    return hand, result["x"]


@pytest.mark.parametrize("case", TESTS, ids=str)
def test_every_fault_it_can_meet(tmp_path: Path, case: Case) -> None:
    for seed in range(1, CI_SEEDS + 1):
        held = hold(tmp_path, case.test, case.fault, case.axis, seed)
        finding = held.findings[case.axis]
        assert held.status == 0
        assert case.is_right(finding), (seed, finding)


def test_five_targets_five_runs_from_both_sides() -> None:
    hand, finding = played()
    read = [one for one in hand.of(Ask) if ".run-" in one.key]
    assert len(read) == 50
    for number in range(1, 6):
        run = [one for one in read if f".run-{number}." in one.key]
        up, down = run[:5], run[5:]
        assert [one.approach for one in up + down] == ["plus"] * 5 + ["minus"] * 5
        places = [one.at_mm for one in up]
        assert places == sorted(places) == [one.at_mm for one in down][::-1]
        gaps = [b - a for a, b in pairwise(places)]
        assert max(gaps) - min(gaps) > 0.02 * sum(gaps)  # unevenly, as the standard wants it
    assert finding["axis_test"]["target_mm"] == [one.at_mm for one in read[:5]]


def test_what_the_standard_makes_of_it_is_what_was_put_in() -> None:
    """A hand without scatter: B is the play, R is B, E is the bow and the play."""
    _, finding = played()
    test = finding["axis_test"]
    # The reading is high by half the play arriving in minus, low by half arriving in plus.
    assert test["mean_reversal_mm"] == pytest.approx(-PLAY_MM, abs=0.011)
    assert test["repeatability_mm"] == pytest.approx(PLAY_MM, abs=0.011)
    assert test["mean_deviation_mm"] == pytest.approx(BOWED_MM, abs=0.02)
    assert test["systematic_mm"] == pytest.approx(BOWED_MM + PLAY_MM, abs=0.02)
    assert test["accuracy_mm"] == test["systematic_mm"]


def test_table_and_picture_are_said_in_plain_lines() -> None:
    hand, _ = played()
    table = [one.says for one in hand.of(Say, "x.table")]
    picture = [one.says for one in hand.of(Say, "x.picture")]
    assert len(table) == 1 + 5 + 1 + 6
    assert "reversal B" in table[-6] and "accuracy A" in table[-1]
    assert len(picture) == 1 + 2 * 5
    assert {len(line) for line in picture[1:]} == {len(picture[1])}
    assert all(line.count("o") == 1 for line in (one.split("[")[1] for one in picture[1:]))
    (said,) = [one for one in hand.of(Say) if one.tag == "RESULT" and one.key == "x.axis-test"]
    assert dict(said.fields)["B"] == "0.200"
    assert "5 runs at 25 mm/s" in said.says


def test_feeds_are_those_of_the_card_and_only_after_the_ladder() -> None:
    hand, _ = played()
    moves = hand.of(Approach)
    turn = [one.key for one in moves].index("x.ladder.turn")
    assert all(one.feed_mm_per_min <= 600.0 for one in moves[: turn + 1])
    assert {one.feed_mm_per_min for one in moves[turn + 1 :]} == {1500.0}


def test_a_zero_that_moved_says_nothing_about_the_axis() -> None:
    hand = Hand(answers={"zero-last": 0.3})
    finding = hand.play(axis_cycle(card(), dialect(), ("x",), network=False))["x"]
    assert finding["verdict"] == "measure-again"
    assert "no longer shows zero" in finding["next"]


def test_too_little_room_is_said() -> None:
    hand = Hand(answers={"free-plus": 10.0}, datum_mm=11.0)
    finding = hand.play(axis_cycle(card(), dialect(), ("x",), network=False))["x"]
    assert finding["verdict"] == "cannot-tell"
    assert "in common" in finding["next"]
    assert not [one for one in hand.of(Ask) if ".run-" in one.key]


@pytest.mark.parametrize("share", [n / 8 + Random(n).random() / 8 for n in range(8)])
def test_cut_off_anywhere_and_taken_up_it_goes_on(tmp_path: Path, share: float) -> None:
    whole = hold(tmp_path / "whole", "axis-test", "play", "x", 2)
    with_steps = Logbook(tmp_path / "whole" / "logbook.db")
    try:
        steps = len(with_steps.steps(with_steps.sessions()[-1]))
    finally:
        with_steps.close()
    home = tmp_path / "cut"
    with pytest.raises(CutOff), cut_off_at(max(1, int(share * steps))):
        hold(home, "axis-test", "play", "x", 2)
    assert resume(home) == 0
    now, then = findings_in(home)["x"], whole.findings["x"]
    assert now["verdict"] == then["verdict"] == "keep"
    assert now["axis_test"]["runs"] == 5
    for key in ("reversal_mm", "mean_reversal_mm", "repeatability_mm"):
        assert now["axis_test"][key] == pytest.approx(then["axis_test"][key], abs=0.1)
    assert_it_replays(home)


def assert_it_replays(home: Path) -> None:
    logbook = Logbook(home / "logbook.db")
    try:
        (name,) = logbook.sessions()
        head = logbook.head(name)
        plan = axis_cycle(
            parse_card(head.card, "card"), dialect(), head.params["axes"], network=False
        )
        assert replay(plan, logbook.steps(name)).result == logbook.ending(name)[1]
    finally:
        logbook.close()


def at(key: str, kind: type[Message]) -> Callable[[Message], bool]:
    """Return what is true for a message of a kind with a key."""
    return lambda message: message.key == key and isinstance(message, kind)


@pytest.mark.parametrize(
    "cuts",
    [
        # Six places and the four of a ladder, eight and two: as many as a whole run has.
        (("x.run-1.minus.4", Approach), ("x.test", Checkpoint)),
        (("x.run-1.minus.2", Approach), ("x.ladder.ten", Approach)),
    ],
)
def test_cut_off_twice_no_other_reading_counts_for_a_run(
    cuts: Sequence[tuple[str, type[Message]]],
) -> None:
    hand, waiting = Hand(), [at(*cut) for cut in cuts]
    plan = axis_cycle(card(), dialect(), ("x",), network=False)
    message = next(plan)
    try:
        while True:
            if waiting and waiting[0](message):
                waiting.pop(0)
                message = plan.throw(Interrupted())
                continue
            hand.messages.append(message)
            message = plan.send(hand.reply(message))
    except StopIteration as ended:
        result = ended.value["x"]["axis_test"]
    assert not waiting
    assert (result["runs"], result["repeatability_mm"]) == (5, pytest.approx(0.0, abs=1e-9))
    assert result["mean_reversal_mm"] == pytest.approx(0.0, abs=1e-9)
