"""How lines look: one shape a kind, wrapped at words, never too wide, nothing lost."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from prompt_toolkit.utils import get_cwidth

from tuner.console.page import Page, Styled
from tuner.console.prompts import explanation, prompt, reminder
from tuner.messages import Accepts, Go, Length, Line, OneOf, Words

LONG = (
    "The carriage moves 20 mm toward the motor. It can crush fingers between carriage and "
    "frame. Take caliper and hands out, and keep them out until the motion has ended."
)
TAGS = [
    "CAUTION", "MOVE", "CONFIRM", "MOVED", "READING", "FIT", "CHOICE", "TEXT", "NOTE", "RESULT",
    "PROPOSAL", "STEP", "SOMETHING",
]  # fmt: skip


def text_of(styled: Styled) -> str:
    return "".join(text for _, text in styled)


def drawn(tag: str, says: str = "", width: int = 80, **fields: str) -> str:
    return text_of(Page(width).section(Line(tag, "x.near.1", tuple(fields.items()), says)))


def test_a_long_caution_is_ruled_signal_word_first_and_text_under_text() -> None:
    lines = drawn("CAUTION", LONG, word="WARNING", group="7").splitlines()
    assert lines[0] == lines[-1] == "─" * 79
    assert lines[1].startswith("  WARNING  The carriage moves 20 mm")
    assert all(line.startswith(" " * 11) and line[11] != " " for line in lines[2:-1])
    assert len(lines) > 4
    assert " ".join(line[11:] for line in lines[1:-1]) == LONG


def test_a_short_caution_is_one_line_with_the_signal_word_first() -> None:
    assert drawn("CAUTION", "back 1 mm; hands out", word="WARNING") == (
        "  WARNING  back 1 mm; hands out\n"
    )


def test_a_caution_says_which_move_of_several_it_is_for() -> None:
    assert "move 2 of 3: back" in drawn("CAUTION", "back", word="WARNING", line="2", of="3")
    assert "move" not in drawn("CAUTION", "back", word="WARNING", line="1", of="1")


def test_the_signal_word_is_not_said_by_style_alone() -> None:
    styled = Page(80).section(Line("CAUTION", "k", (("word", "DANGER"),), "hot"))
    assert ("class:word", "DANGER  ") in styled


def test_a_move_shows_its_figures_when_the_prose_does_not() -> None:
    figures = {"axis": "X", "by_mm": "+20.000", "to_mm": "40.000", "seconds": "0.8", "group": "7"}
    expected = "X by +20.000 mm to 40.000 mm, 0.8 s"
    assert drawn("MOVE", **figures) == f"  move  {expected}\n"
    assert drawn("MOVE", line="1", of="2", **figures) == f"  move 1 of 2  {expected}\n"
    both = drawn("MOVE", "slowly, toward the switch", **figures)
    assert expected in both
    assert "slowly, toward the switch" in both


def test_a_move_is_not_said_twice_when_the_prose_holds_every_figure() -> None:
    says = "X goes 20 mm up, from 20.0 to 40.0 mm, in 0.8 s"
    figures = {"axis": "X", "by_mm": "+20.000", "to_mm": "40.000", "seconds": "0.8"}
    assert drawn("MOVE", says, **figures) == f"  move  {says}\n"


@pytest.mark.parametrize(("to_mm", "is_once"), [("11.4668", True), ("11.4", False)])
def test_a_move_is_not_said_twice_because_its_prose_is_rounded(to_mm: str, is_once: bool) -> None:
    says = "E by +11.47 mm to 11.47 mm, about 8.6 s"
    figures = {"axis": "E", "by_mm": "+11.4668", "to_mm": to_mm, "seconds": "8.6"}
    assert (drawn("MOVE", says, **figures) == f"  move  {says}\n") == is_once


def test_a_whole_number_says_no_other_one() -> None:
    says = "E by 1 mm to 1 mm, about 1 s"
    figures = {"axis": "E", "by_mm": "+1.4000", "to_mm": "1.4000", "seconds": "1.0"}
    assert drawn("MOVE", says, **figures).startswith("  move  E by +1.4000 mm to 1.4000 mm")


@pytest.mark.parametrize("missing", ["X", "20", "40.0", "0.8"])
def test_a_figure_that_the_prose_lacks_brings_all_figures(missing: str) -> None:
    says = "X goes 20 mm up to 40.0 mm in 0.8 s".replace(missing, "some")
    figures = {"axis": "X", "by_mm": "+20.000", "to_mm": "40.000", "seconds": "0.8"}
    assert "X by +20.000 mm to 40.000 mm, 0.8 s" in drawn("MOVE", says, **figures)


def test_fit_reading_step_and_refusal() -> None:
    assert drawn("FIT", scale="0.80012", U="0.00240", k="2.40", n="6") == (
        "  scale 0.80012 ± 0.00240 (95 %, 6 readings)\n"
    )
    assert drawn("READING", axis="X", at_mm="40.000", approach="plus", n="7") == (
        "  reading 7  X at 40.00 mm, arrived moving plus\n"
    )
    assert "Step 3 of 12 - near end\n" in drawn("STEP", "near end", step="3", of="12")
    refused = Line("NOTE", "refused", (), "12 mm is outside 15 to 25 mm")
    assert text_of(Page(80).section(refused)) == "  not taken: 12 mm is outside 15 to 25 mm\n"


def test_prompt_and_answer_stand_on_one_line_where_there_is_room() -> None:
    long = "number or unknown, Enter for 115200, back > "
    (line, _) = text_of(Page(80).hanging(long, "250000", "class:prompt")).split("\n")
    assert line == f"  {long}250000"
    assert text_of(Page(80).hanging(long, "9" * 40)).count("\n") == 2


def test_an_axis_is_named_in_a_head_as_everywhere_else() -> None:
    assert "Result Z\n" in text_of(Page(80).section(Line("RESULT", "z", (), "keep")))
    assert "Result hunt\n" in text_of(Page(80).section(Line("RESULT", "hunt", (), "keep")))


def test_fields_that_the_prose_lacks_are_shown_in_words_and_the_rest_is_not() -> None:
    assert drawn("NOTE", "drift seen", rate_mm_per_min="0.010", n="9") == (
        "  drift seen\n  rate 0.010 mm/min, n 9\n"
    )
    block = drawn("RESULT", "Change it.", verdict="change", steps_per_mm="100.0", by_mm="1")
    assert "verdict" not in block
    assert "  steps per mm 100.0\n  by 1 mm\n" in block
    assert drawn("CHOICE", "Still?", options="yes,no", default="", group="4") == "  Still?\n"


@pytest.mark.parametrize("tag", TAGS)
def test_an_empty_line_of_any_kind_is_no_error(tag: str) -> None:
    drawn(tag)


@pytest.mark.parametrize("tag", TAGS)
@settings(deadline=None)
@given(
    says=st.text(max_size=300),
    value=st.text(max_size=120),
    width=st.integers(1, 200),
)
def test_nothing_is_wider_than_the_page_nor_more_than_100_columns(
    tag: str, says: str, value: str, width: int
) -> None:
    fields = {"axis": "X", "by_mm": "1", "to_mm": "2", "at_mm": "3", "n": "4", "scale": "5"}
    drawn_text = drawn(tag, says, width, U=value, word=value[:20], line="1", of="2", **fields)
    page = Page(width)
    assert page.width <= max(20, min(100, width - 1))
    for line in drawn_text.removesuffix("\n").split("\n"):
        assert get_cwidth(line) <= page.width
        assert line.isprintable()


@settings(deadline=None)
@given(words=st.lists(st.text("abc漢é", min_size=1, max_size=12), min_size=1, max_size=40))
def test_wrapping_loses_no_word_and_breaks_only_between_words(words: list[str]) -> None:
    says = " ".join(words)
    assert drawn("NOTE", says, 60).split() == words


def test_a_word_that_is_too_long_is_cut_and_nothing_is_lost() -> None:
    path = "/home/somebody/" + "漢" * 60 + "x" * 150
    lines = drawn("NOTE", path, 40).splitlines()
    assert "".join(line.strip() for line in lines) == path
    assert all(get_cwidth(line) <= 39 for line in lines)


def test_markup_and_control_characters_are_only_text() -> None:
    assert "<b>&amp;\\x1b[2J" in drawn("NOTE", "<b>&amp;\x1b[2J")


def test_options_stand_one_a_line_with_their_number_and_the_default_named() -> None:
    styled = Page(80).numbered(("about-right", "nothing", "shakes"), "nothing")
    assert text_of(styled) == "     1  about-right\n     2  nothing (Enter)\n     3  shakes\n"


READING = Length(0.0, 150.0, is_reading=True, may_undo=True)


@pytest.mark.parametrize(
    ("accepts", "words"),
    [
        (Go(), "type go to move, Ctrl-X stops > "),
        (OneOf(("yes", "no")), "number or word > "),
        (OneOf(("yes", "no"), "no"), "number or word, Enter for no > "),
        (READING, "reading in mm > "),
        (Length(0.0, 9.0, default="5"), "length in mm, Enter for 5 > "),
        (Words("bench"), "text, Enter for bench > "),
        (Words("20", may_undo=True, wanted="number"), "number, Enter for 20, back > "),
        (OneOf(("yes", "no"), may_undo=True), "number or word, back > "),
        (Length(0.0, 9.0, may_undo=True), "length in mm, back > "),
        (Words("a\x1b" + "b" * 500), "text, Enter for a\\x1b" + "b" * 34 + "… > "),
    ],
)
def test_prompts(accepts: Accepts, words: str) -> None:
    assert prompt(accepts) == words


@pytest.mark.parametrize("accepts", [Go(), OneOf(("a",)), READING, Length(-1.5, 9.0), Words()])
def test_every_explanation_tells_how_to_stop(accepts: Accepts) -> None:
    assert "Ctrl-X" in explanation(accepts)
    assert "power switch" in explanation(accepts)
    assert "/ stop" in reminder(accepts)


def test_explanations_say_what_this_question_takes() -> None:
    assert "Enter alone never" in explanation(Go())
    assert "Enter alone takes" not in explanation(OneOf(("a", "b")))
    assert "Enter alone takes b." in explanation(OneOf(("a", "b"), "b"))
    assert "between 0 and 150 mm" in explanation(READING)
    assert "undo" in explanation(READING)
    assert "undo" not in explanation(Length(0.0, 150.0, is_reading=True))
    assert "again" not in explanation(Length(0.0, 150.0))
    assert "back returns" not in explanation(READING)
    assert "back returns" in explanation(Words(may_undo=True))
    assert "(number)" in explanation(Words(wanted="number"))
    assert reminder(Words(may_undo=True)) == "? or * help | / stop | - back"
    assert reminder(READING) == "? or * help | / stop | + again | - undo | Tab completes"
    assert reminder(None) == ""


def test_a_zero_check_is_no_reading_of_a_place() -> None:
    fields = {"axis": "X", "at_mm": "0.0000", "approach": "plus", "n": "0"}
    text = drawn("READING", "Close the jaws", **fields)
    assert "zero check" in text
    assert "mm" not in text
