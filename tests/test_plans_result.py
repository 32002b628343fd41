"""A number that is right, and an axis that is not: what is said, asked and drawn of both."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from fakes import Hand, card, dialect

from tuner.cli import run
from tuner.console.bars import ASCII, odds_picture
from tuner.console.figures import Figures
from tuner.console.page import Page
from tuner.console.view import View, odds
from tuner.messages import Line, Propose
from tuner.plans import bench

CHECKED_FIRST = {
    "eccentric-pulley": (["--test", "axis-test"], "runs out of true"),
    "play": ([], "look where it gives"),
}


@pytest.mark.parametrize("fault", CHECKED_FIRST)
def test_what_no_number_cures_is_looked_at_before_the_number_stays(
    fault: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    how, words = CHECKED_FIRST[fault]
    asked = ["rehearse", "--hands-off", "--fault", fault, *how]
    assert run(["--home", str(tmp_path), *asked]) == 0
    shown = capsys.readouterr().out
    *_, result = re.findall(r"^RESULT \w .*$", shown, re.MULTILINE)
    assert "verdict=keep odds=as-described:" in result
    assert re.search(rf" wrong={fault}:[01]\.\d\d", result)
    *_, then = re.findall(r"^NOTE \w.next \| next: (.*)$", shown, re.MULTILINE)
    look, _, number = then.partition("; the axis travels what it is told: ")
    assert look.startswith("power off and unplugged: ")
    assert words in look
    assert number.startswith("leave the stored number as it is")


def test_each_row_of_odds_is_headed_by_its_question() -> None:
    line = Line("RESULT", "x", (("odds", "as-described:1.00"), ("wrong", "play:0.99")))
    page = Page(80)
    drawn = "".join(text for _, text in Figures(View(), True).below(line, page, 24)).splitlines()
    number, motion = (
        odds_picture(odds(line, field), page.width - 2, ASCII) for field in ("odds", "wrong")
    )
    assert [one.strip() for one in drawn] == [
        "Which parts and settings fit what was measured:", number[0].strip(),
        "What is wrong with the motion, each by itself:", motion[0].strip(),
    ]  # fmt: skip
    assert Figures(View(), True).below(Line("RESULT", "x"), page, 24) == []


@pytest.mark.parametrize("seen", ["wrong-way", "too-far"])
def test_nothing_is_proposed_for_an_axis_that_was_never_read(seen: str) -> None:
    hand = Hand({"first-move": seen})
    result = hand.play(bench.bench(card(), dialect(), ["x"], False))
    assert result["x"]["verdict"] == "repair-first"
    assert hand.of(Propose) == []


@pytest.mark.parametrize("free", [{"free-plus": 0.0}, {"free-minus": 5.0}])
def test_too_little_room_is_asked_about_and_the_axis_may_be_left(free: dict[str, float]) -> None:
    hand = Hand(free)
    result = hand.play(bench.bench(card(), dialect(), ["x"], False))
    (asked,) = [one for one in hand.messages if one.key == "x.no-room"]
    assert "A first move needs 6 mm each way" in asked.says
    assert result["x"]["verdict"] == "cannot-tell"
    assert hand.of(Propose) == []


def test_room_that_was_mistyped_is_said_anew() -> None:
    hand = Hand({"free-plus": [0.0, 100.0], "free-minus": [100.0, 100.0], "no-room": "say-anew"})
    result = hand.play(bench.bench(card(), dialect(), ["x"], False))
    assert result["x"]["verdict"] == "keep"
    assert len(hand.of(Propose)) == 2
