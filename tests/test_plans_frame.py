"""Squareness asked for at the bench: nothing moves, a misread length is asked for again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from cut_off import CutOff, cut_off_at, resume
from fakes import Hand, card, dialect
from procedures_world import FRAMES, Case, findings_in, hold

from tuner.messages import Approach, Ask, Heat, Observe, Reference, Say
from tuner.plans.frame import frame
from tuner.session.logbook import Logbook

SQUARE = {"side-x": 100.0, "side-y": 100.0, "rising": 141.42, "falling": 141.42}


def ask(answers: dict[str, Any], axes: tuple[str, ...] = ()) -> tuple[Hand, dict[str, Any]]:
    known = {"kind": "printed", "told-x": 100.0, "told-y": 100.0, **SQUARE, **answers}
    hand = Hand(answers=known)
    (finding,) = hand.play(frame(card(), dialect(), axes, network=True)).values()
    return hand, finding


@pytest.mark.parametrize("case", FRAMES, ids=str)
def test_the_rehearsed_frame(tmp_path: Path, case: Case) -> None:
    for seed in range(1, 6):
        held = hold(tmp_path, case.test, case.fault, case.axis, seed)
        assert held.status == 0
        assert case.is_right(held.findings[case.axis]), (seed, held.findings)
        assert not held.lines("MOVE")


def test_nothing_moves_and_nobody_talks_to_a_machine() -> None:
    hand, finding = ask({})
    assert not hand.of((Approach, Ask, Heat, Observe, Reference))  # type: ignore[arg-type]
    assert finding["verdict"] == "keep"


def test_skew_is_worked_out_from_the_diagonals() -> None:
    """cos = (D1^2 - D2^2) / (4 a b) = (141.86^2 - 140.98^2) / 40000 = 0.00622, 0.357 degrees."""
    _, finding = ask({"rising": 141.86, "falling": 140.98})
    found = finding["squareness"]
    assert found["cos"]["value"] == pytest.approx(0.00622248, abs=1e-8)
    assert found["skew_deg"]["value"] == pytest.approx(0.356524, abs=1e-6)
    assert finding["verdict"] == "repair-first"
    assert "the corner where both axes begin" in finding["next"]
    assert finding["proposal"] is None


def test_the_other_diagonal_is_named_too() -> None:
    hand, finding = ask({"rising": 140.98, "falling": 141.86})
    assert "where X ends and Y begins" in finding["next"]
    assert all(len(one.says) + len(one.key) < 380 for one in hand.of(Say))


def test_a_scale_is_no_skew() -> None:
    """A side 1 % short with diagonals that fit: 99 and 100 mm, both 140.71 mm."""
    _, finding = ask({"side-x": 99.0, "rising": 140.716, "falling": 140.716, "kind": "machine"})
    assert finding["verdict"] == "measure-again"
    assert finding["next"].startswith("square; ")
    assert finding["squareness"]["scales"][0]["value"] == pytest.approx(0.99)
    assert "tuner tune" in finding["next"]


def test_lengths_that_no_frame_has_are_asked_for_again() -> None:
    hand, finding = ask({"rising": [114.42, 141.42], "falling": 141.42})
    said = [one.key for one in hand.messages]
    assert said.count("frame.rising") == said.count("frame.side-x") == 2
    assert said.count("frame.refused") == 1
    assert finding["verdict"] == "keep"


def test_two_axes_of_the_card_can_be_named() -> None:
    hand, finding = ask({"told-z": 100.0, "side-z": 100.0}, axes=("x", "z"))
    assert finding["axis"] == "z"
    assert finding["squareness"]["axes"] == ["x", "z"]
    assert "frame.side-z" in [one.key for one in hand.messages]


@pytest.mark.parametrize("at", range(1, 23, 3))
def test_cut_off_anywhere_nothing_is_asked_twice(tmp_path: Path, at: int) -> None:
    with pytest.raises(CutOff), cut_off_at(at):
        hold(tmp_path, "squareness", "skew", "y", 1)
    assert resume(tmp_path) == 0
    assert findings_in(tmp_path)["y"]["verdict"] == "repair-first"
    logbook = Logbook(tmp_path / "logbook.db")
    try:
        (session,) = logbook.sessions()
        steps = logbook.steps(session)
    finally:
        logbook.close()
    answered = [one.key for one in steps if one.phase == "reply"]
    for key in ("told-x", "told-y", "side-x", "side-y", "rising", "falling"):
        assert answered.count(f"frame.{key}") == 1
