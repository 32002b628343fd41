"""Several axes in one session: their order, small moves first, leaving out and coming back."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import pytest

from tuner.card.read import parse_card
from tuner.commands.live import dialect_of, simulated
from tuner.commands.rehearse import run_rehearsal
from tuner.commands.resume import resume
from tuner.messages import Question
from tuner.plans.whole import in_safe_order
from tuner.rehearsal.faults import card_text
from tuner.rehearsal.hands import Hands


class Answers(Hands):
    """The simulated person, but for some answers; a list of them is used up in order."""

    instead: Mapping[str, list[str]]

    def answer(self, question: Question) -> str:
        answer = super().answer(question)
        other = self.instead.get(question.line.key)
        return other.pop(0) if other else answer


def session(
    home: Path,
    capsys: pytest.CaptureFixture[str],
    *,
    fault: str = "",
    status: int = 0,
    **instead: list[str],
) -> list[str]:
    """Run a session on all axes of the Bench mule and return its lines."""
    card = parse_card(card_text(), "card")
    url = "rehearse://bench-mule?seed=3" + (f"&fault={fault}&axis=y" if fault else "")
    setup, port = simulated(home, card, dialect_of(card, None), tuple(card.axes), url)
    hands = Answers(port.machine, 3)
    hands.instead = {
        key.replace("_", ".", 1).replace("_", "-"): list(v) for key, v in instead.items()
    }
    assert run_rehearsal(setup, hands, None) == status
    return capsys.readouterr().out.splitlines()


def measured(lines: list[str]) -> list[str]:
    """Return the axes in the order in which they were measured."""
    return [line.split(" ")[1][0] for line in lines if re.match(r"STEP [a-z]\.measure ", line)]


def test_what_can_drop_comes_late_and_the_feeder_last() -> None:
    assert in_safe_order(parse_card(card_text("pack-mule"), "card"), ["e", "z", "c", "y", "x"]) == [
        "y",
        "x",
        "c",
        "z",
        "e",
    ]


def test_every_axis_moves_a_little_before_any_goes_far(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = session(tmp_path, capsys)
    moves = [line.split(" ")[1] for line in lines if line.startswith("MOVE ")]
    assert moves[:3] == ["x.first", "y.first", "z.first"]
    # A motor may have been released until then: each axis is watched anew before it goes far.
    assert [one for one in moves[3:] if one.endswith(".first")] == ["x.first", "y.first", "z.first"]
    assert measured(lines) == ["x", "y", "z"]
    summary = [line for line in lines if ".summary " in line]
    assert [line.split(" ")[1:3] for line in summary] == [
        ["x.summary", "verdict=change"],
        ["y.summary", "verdict=keep"],
        ["z.summary", "verdict=change"],
    ]
    assert "X: change: 100 instead of 80 steps per mm" in summary[0]


def test_an_axis_that_moves_wrongly_is_not_measured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = session(tmp_path, capsys, fault="wrong-way")
    assert measured(lines) == ["x", "z"]
    (result,) = [line for line in lines if line.startswith("RESULT y ")]
    assert "verdict=repair-first" in result


def test_an_axis_can_wait_be_left_out_and_come_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = session(
        tmp_path,
        capsys,
        x_when=["later"],
        y_when=["leave-out"],
    )
    assert measured(lines) == ["z", "x"]
    assert "NOTE y.summary | Y: left out" in lines
    lines = session(
        tmp_path / "again",
        capsys,
        y_when=["leave-out"],
        **{"left-out": ["y"]},  # type: ignore[arg-type]
    )
    assert measured(lines) == ["x", "z", "y"]
    assert not any("left out" in line and "summary" in line for line in lines)


def test_after_a_cut_no_axis_counts_as_watched(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session(tmp_path, capsys, status=3, y_when=["stop"])
    assert resume(home=tmp_path, session="last", url=None, plain=True, hands_off=True) == 0
    lines = capsys.readouterr().out.splitlines()
    moves = [line.split(" ")[1] for line in lines if line.startswith("MOVE ")]
    # Y was cut off before it went far: its first move is watched anew, and so is that of Z.
    assert moves[0] == "y.first" and "z.first" in moves
    # Where it was cut off is said once more.
    assert measured(lines) == ["x", "y", "z"]
