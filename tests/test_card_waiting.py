"""Lines of a card that wait for a number: no part of it, not lost, and counted in on request."""

from __future__ import annotations

import tomllib

import pytest

from tuner.card.check import warnings
from tuner.card.read import parse_card
from tuner.card.waiting import behind_mark, counted_in, waiting_axes
from tuner.commands.cards import check_axes
from tuner.errors import BadFile
from tuner.rehearsal.faults import card_text

CARD = card_text("bench-mule")
AXIS = [
    "[axes.u]",
    "# not known: teeth of the pulley; 20 is the commonest",
    'drive = { kind = "belt", pitch_mm = 2.0, pulley_teeth = 20 }',
    "motor = { step_angle_deg = 1.8, microsteps = 16 }",
    "stored = { steps_per_mm = ? }    # as the controller holds it",
    "range_mm = [0.0, 90.0]",
]
FEEDER = [
    "[axes.e]",
    'drive = { kind = "feeder", diameter_mm = ? }',
    "motor = { step_angle_deg = 1.8, microsteps = 16 }",
    "stored = { steps_per_mm = ? }",
]
WAITING = "\n".join([CARD, *behind_mark(AXIS), "", *behind_mark(FEEDER), ""])


def test_what_waits_is_no_part_of_the_card() -> None:
    assert list(parse_card(WAITING, "card").axes) == list(parse_card(CARD, "card").axes)
    assert waiting_axes(WAITING) == ("u", "e")
    assert waiting_axes(CARD) == ()
    assert counted_in(CARD) == CARD


def test_counted_in_it_is_there_without_what_is_not_known() -> None:
    axes = tomllib.loads(counted_in(WAITING))["axes"]
    assert axes["u"] == {
        "drive": {"kind": "belt", "pitch_mm": 2.0, "pulley_teeth": 20},
        "motor": {"step_angle_deg": 1.8, "microsteps": 16},
        "stored": {},
        "range_mm": [0.0, 90.0],
    }
    assert axes["e"]["drive"] == {"kind": "feeder"}


def test_something_stands_in_for_what_is_not_known() -> None:
    axes = tomllib.loads(counted_in(WAITING, stand_in="1"))["axes"]
    assert axes["u"]["stored"] == {"steps_per_mm": 1}
    assert axes["e"]["drive"] == {"kind": "feeder", "diameter_mm": 1}


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_every_line_stays_on_its_line(end: str) -> None:
    text = WAITING.replace("\n", end)
    assert counted_in(text).count(end) == text.count(end)


def test_a_question_mark_elsewhere_stays() -> None:
    text = '# [why?]\nname = "what = ?"\n'
    assert counted_in(text, stand_in="1") == text


def test_without_its_mark_a_question_mark_is_refused_with_its_line() -> None:
    with pytest.raises(BadFile, match="line"):
        parse_card(WAITING.replace("#| ", ""), "card")


def test_with_its_number_and_without_the_mark_it_counts() -> None:
    text = "\n".join([CARD, *(line.replace("?", "80") for line in AXIS), ""])
    marked = "\n".join([CARD, *behind_mark(AXIS), ""]).replace("?", "80").replace("#| ", "")
    assert parse_card(marked, "card").axes["u"] == parse_card(text, "card").axes["u"]


def test_the_check_of_a_card_names_what_waits() -> None:
    before = warnings(parse_card(CARD, "card"))
    said = warnings(parse_card(WAITING, "card"))
    assert said[: len(before)] == before
    assert [one.split(":")[0] for one in said[len(before) :]] == ["axes.u", "axes.e"]
    assert "take #| away from its lines" in said[-1]


def test_a_comment_that_only_looks_like_it_stays_one() -> None:
    text = f"#| my old bench |\n{WAITING}"
    assert counted_in(text).startswith("#| my old bench |\n")
    assert list(tomllib.loads(counted_in(text))["axes"])[-2:] == ["u", "e"]


def test_blanks_do_not_matter_and_strings_stay() -> None:
    lines = ["[axes.u]", "stored={steps_per_mm=?}", 'note = "what = ?"', 'more = "a, b = ?"']
    text = "\n".join(behind_mark(lines))
    assert tomllib.loads(counted_in(text, stand_in="1"))["axes"]["u"] == {
        "stored": {"steps_per_mm": 1}, "note": "what = ?", "more": "a, b = ?",
    }  # fmt: skip


def test_lines_that_are_left_over_are_said_and_harm_nothing() -> None:
    text = "\n".join([CARD, *behind_mark(["[axes.x]", "stored = { steps_per_mm = ? }"])])
    card = parse_card(text, "card")
    assert [one for one in warnings(card) if "as well; delete those" in one]
    check_axes(card, ["x"])
