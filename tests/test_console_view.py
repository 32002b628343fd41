"""What stays in its place: made of lines and answers alone."""

from __future__ import annotations

import pytest

from tuner.console.view import Planned, Residual, View, bar, odds
from tuner.messages import Go, Length, Line, OneOf, Question

READING = Length(0.0, 150.0, is_reading=True)


def line(tag: str, key: str = "x.near.1", says: str = "", **fields: str) -> Line:
    return Line(tag, key, tuple(fields.items()), says)


def move(group: str, to_mm: str, seconds: str) -> Line:
    return line(
        "MOVE", says="X moves", axis="X", by_mm="+1.0", to_mm=to_mm, seconds=seconds, group=group
    )


def consent(view: View) -> None:
    view.answered(Question(line("CONFIRM"), Go()))


def read(view: View, n: int, at_mm: float, approach: str) -> None:
    view.take(line("READING", axis="X", at_mm=f"{at_mm:.4f}", approach=approach, n=str(n)))


@pytest.fixture
def view() -> View:
    return View("port")


def test_the_step_is_said_with_its_number(view: View) -> None:
    view.take(line("STEP", says="Axis X: measuring", step="5", of="7"))
    assert view.where() == "Step 5 of 7 - Axis X: measuring"
    view.take(line("STEP", says="What to do"))
    assert view.where() == "What to do"


def test_all_moves_of_one_consent_are_announced_and_no_others(view: View) -> None:
    view.take(move("6", "9.0000", "1.0"))
    view.take(move("7", "-56.0000", "3.9"))
    view.take(move("7", "-55.0000", "0.1"))
    assert view.what_next(Go()) == "after your go: X to -56.00, then -55.00 mm, about 4.0 s"


def test_a_search_is_announced_in_its_own_words(view: View) -> None:
    view.take(line("MOVE", says="X searches its end switch", axis="X", search="min", group="1"))
    assert view.what_next(Go()) == "after your go: X searches its end switch"
    consent(view)
    assert view.progress(7.2) == "working, 7 s so far"


@pytest.mark.parametrize(
    ("elapsed_s", "says"),
    [
        (0.0, "[....................] X moves, about 4 s left"),
        (1.0, "[#####...............] X moves, about 3 s left"),
        (3.9, "[####################] X moves, about 1 s left"),
        (9.0, "[####################] X: waiting for the controller to say that it has ended"),
    ],
)
def test_a_move_shows_the_time_that_is_left(view: View, elapsed_s: float, says: str) -> None:
    view.take(move("7", "-55.0000", "4.0"))
    consent(view)
    assert f"[{view.progress(elapsed_s)[:20]}]{view.progress(elapsed_s)[20:]}" == says


def test_a_short_move_needs_no_bar(view: View) -> None:
    view.take(move("7", "-55.0000", "0.4"))
    consent(view)
    assert view.progress(0.2) == "X moves"


def test_after_a_move_the_place_is_known_until_the_machine_is_left(view: View) -> None:
    view.take(move("7", "-55.0000", "4.0"))
    consent(view)
    assert view.under_way
    view.take(line("MOVED", group="7"))
    assert not view.under_way
    assert view.progress(0.1) == ""
    assert view.toolbar(79) == "Ctrl-X stop | X at -55.00 mm | port"
    view.take(line("STEP", "leaving", "Leaving", step="6", of="7"))
    assert view.toolbar(79) == "Ctrl-X stop | X | port"


def test_a_place_that_was_declared_anew_is_the_one_that_is_read(view: View) -> None:
    view.take(move("7", "61.0000", "4.0"))
    view.take(line("MOVED", group="7"))
    assert "X at 61.00 mm" in view.toolbar(79)
    read(view, 0, 0.0, "plus")  # with closed jaws it says nothing of the place
    assert "X at 61.00 mm" in view.toolbar(79)
    read(view, 7, 0.0, "plus")
    assert "X at 0.00 mm" in view.toolbar(79)


def test_a_lost_position_is_not_shown(view: View) -> None:
    view.take(move("7", "-55.0000", "4.0"))
    view.take(line("MOVED", group="7"))
    view.take(line("NOTE", "x.position-unknown"))
    assert "mm" not in view.toolbar(79)


def test_heat_shows_what_was_told_last(view: View) -> None:
    view.take(line("HEAT", says="nozzle to 200 °C", heater="nozzle", target_c="200", group="1"))
    consent(view)
    assert view.progress(3.0) == "nozzle to 200 °C; 3 s so far"
    view.take(line("NOTE", "heating", "nozzle at 88 °C", heater="nozzle", now_c="88"))
    assert view.progress(33.0) == "nozzle at 88 °C; 33 s so far"
    assert "nozzle 88 °C" in view.toolbar(79)
    view.take(line("HEATED", heater="nozzle", now_c="199.6"))
    assert "nozzle 200 °C" in view.toolbar(79)
    assert not view.under_way


def test_the_stop_key_is_the_last_to_go_when_there_is_no_room(view: View) -> None:
    view.take(move("7", "-55.0000", "4.0"))
    view.take(line("MOVED", group="7"))
    view.take(line("FIT", "x", U="0.00123"))
    view.take(line("CONFIRM", group="8", nozzle_c="21", bed_c="20"))
    whole = "Ctrl-X stop | X at -55.00 mm | U 0.00123 | nozzle 21 °C, bed 20 °C | port"
    assert view.toolbar(79) == whole
    assert view.toolbar(len(whole) - 1) == whole.removesuffix(" | port")
    assert view.toolbar(12) == "Ctrl-X stop"


def test_what_a_question_leads_to(view: View) -> None:
    read(view, 7, 25.0, "plus")
    assert view.what_next(READING) == "reading 7 of X; nothing moves before the next go"
    read(view, 0, 0.0, "plus")
    assert view.what_next(READING) == "zero check for X; nothing moves before the next go"
    assert view.what_next(OneOf(("a",))) == "nothing moves before a go of yours"
    assert View().what_next(OneOf(("a",))) == "nothing moves: no machine is connected"


def test_residuals_belong_to_their_readings_and_undone_ones_are_gone(view: View) -> None:
    read(view, 1, 0.0, "plus")
    read(view, 2, 40.0, "minus")
    fit = line("FIT", "x", left_um="1:+5,2:-12,9:+1")
    assert view.residuals(fit) == [
        Residual(1, 0.0, "plus", 0.005),
        Residual(2, 40.0, "minus", -0.012),
    ]
    read(view, 1, 0.0, "minus")  # both were taken back
    assert view.residuals(fit) == [Residual(1, 0.0, "minus", 0.005)]


def test_places_are_done_by_readings_taken_after_the_plan(view: View) -> None:
    read(view, 1, 25.0, "plus")
    view.take(line("NOTE", "x.plan", places="-55+,25+,25-,-55+"))
    read(view, 2, -55.0, "plus")
    assert [one.n for one in view.plan("x")] == [2, 0, 0, 0]
    read(view, 3, 25.0, "minus")
    read(view, 4, -55.0, "plus")
    assert view.plan("x")[1:] == [
        Planned(25.0, "plus", 0),
        Planned(25.0, "minus", 3),
        Planned(-55.0, "plus", 4),
    ]
    assert view.plan("y") == []


@pytest.mark.parametrize(
    ("share", "drawn"),
    [(-1.0, "...."), (0.0, "...."), (0.5, "##.."), (1.0, "####"), (9.0, "####")],
)
def test_bars(share: float, drawn: str) -> None:
    assert bar(share, 4, ("#", ".")) == drawn


def test_odds_of_a_result() -> None:
    assert odds(line("RESULT", odds="pulley-teeth:0.98,step-angle:0.01")) == [
        ("pulley-teeth", 0.98),
        ("step-angle", 0.01),
    ]
    assert odds(line("RESULT", verdict="keep")) == []
