"""What is said while something is typed, and the keys of the numeric pad."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tuner.console.asked import about
from tuner.console.prompts import completed, explanation, meant, prompt, while_typing
from tuner.messages import Accepts, Go, Length, Line, OneOf, Words

READING = Length(0.0, 150.0, is_reading=True, may_undo=True)
OPTIONS = OneOf(("about-right", "nothing", "other-axis"))


@pytest.mark.parametrize(
    ("accepts", "typed", "says"),
    [
        (READING, "12,34", "Enter: 12.34 mm"),
        (READING, "1 in", "Enter: 25.40 mm"),
        (READING, "+", "Enter: approach this place again"),
        (READING, "-", "Enter: take the last one back"),
        (READING, "/", "Enter: stop"),
        (READING, "*", "Enter: explain this question"),
        (READING, "ag", "Tab: again"),
        (READING, "151", "not yet: 151 mm is outside 0 to 150 mm; read the caliper again"),
        (READING, "-5", "not yet: -5 mm is outside 0 to 150 mm; read the caliper again"),
        (OPTIONS, "2", "Enter: nothing"),
        (OPTIONS, "o", "Tab: other-axis"),
        (OPTIONS, "4", "not yet: type one of: about-right, nothing, other-axis"),
        (Go(), "g", "Tab: go"),
        (Go(), "GO", "Enter: go"),
        (Go(), "*+", "Enter: go"),
        (Go(), "+*", "not yet: only go starts this move; type go, or stop"),
        (Words(), "any \x07thing", "Enter: any \\x07thing"),
    ],
)
def test_what_enter_would_do(accepts: Accepts, typed: str, says: str) -> None:
    assert while_typing(accepts, typed) == says


@pytest.mark.parametrize("typed", ["*", "+", "++", "**", "+*", "*+*", "* +", "1", "", "12.34"])
def test_nothing_but_the_two_keys_in_their_order_is_consent_on_the_pad(typed: str) -> None:
    assert meant(Go(), typed).strip() != "go"


def test_the_two_keys_consent_to_moves_alone() -> None:
    assert meant(Go(), "*+") == meant(Go("heat"), "*+") == "go"
    assert meant(READING, "*+") == "*+"
    assert meant(Words(), "*+") == "*+"


@pytest.mark.parametrize(
    ("accepts", "typed", "becomes"),
    [
        (OPTIONS, "n", "nothing"),
        (OPTIONS, "x", "x"),
        (OneOf(("free-minus", "free-plus")), "f", "free-"),
        (Words(suggestions=("/dev/ttyA0", "/dev/ttyA1")), "/d", "/dev/ttyA"),
        (Words(), "/d", "/d"),
        (Go(), "g", "go"),
        (Length(0.0, 9.0), "1", "1"),
    ],
)
def test_tab_completes_as_far_as_it_is_certain(accepts: Accepts, typed: str, becomes: str) -> None:
    assert completed(accepts, typed) == becomes


def test_help_is_for_exactly_this_question() -> None:
    motor = explanation(OneOf(("yes", "no")), Line("CHOICE", "motor-power"))
    assert motor.startswith(about("motor-power"))
    assert "data cable" in motor
    assert about("x.free-minus") != about("x.free-plus")
    assert about("x.look.pulley-teeth.16") == about("look")
    assert about("no-such-question") == ""


def test_every_question_of_a_session_has_its_own_help() -> None:
    plans = Path(__file__).parents[1] / "tuner" / "plans"
    names = ("axis", "block", "connect", "first_move", "ladder", "measure", "recover", "reference")
    source = "".join((plans / f"{name}.py").read_text(encoding="utf-8") for name in names)
    keys = re.findall(r'(?:Choose|Confirm|Text)\(\s*key=f?"([^"]+)"', source)
    assert len(keys) > 10
    assert [key for key in keys if not about(key.replace("free-{side}", "free-plus"))] == []


def test_an_angle_is_asked_for_as_one() -> None:
    angle = Length(0.0, 720.0, unit="deg")
    assert prompt(angle).startswith("angle in deg")
    assert "degrees" in explanation(angle) and "mm" not in explanation(angle)
    assert prompt(Length(-180.0, 180.0, True, unit="deg")).startswith("reading in deg")
    assert while_typing(angle, "12,5") == "Enter: 12.50 deg"
