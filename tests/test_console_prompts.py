"""What is said while something is typed, and the keys of the numeric pad."""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from card_answers import GEARED, ONE_AXIS

from tuner.card.read import parse_card
from tuner.commands.rehearse import rehearse
from tuner.console.asked import about
from tuner.console.plain import HandsOff
from tuner.console.prompts import completed, explanation, meant, prompt, while_typing
from tuner.messages import (
    Accepts,
    Choose,
    Confirm,
    Go,
    Length,
    Line,
    OneOf,
    Plan,
    Question,
    Text,
    Value,
    Words,
)
from tuner.plans.card_setup import card_setup
from tuner.plans.intake import intake
from tuner.rehearsal.faults import card_text
from tuner.session.questions import question_of

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
        (OPTIONS, "4", "not yet: type a number 1 to 3 or one of: about-right, nothing, other-axis"),
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
    assert about("x.look.pulley-teeth.16") == about("y.look.pulley-teeth.20")
    assert about("no-such-question") == ""


def written(node: ast.expr) -> str:
    """Return the text of a literal, one letter for each piece that is computed."""
    match node:
        case ast.Constant(value=str(text)):
            return text
        case ast.JoinedStr(values=values):
            return "".join(written(one) for one in values)
    return "x"


def keys_in(path: Path) -> Iterator[str]:
    """Yield the keys of the questions that the module at `path` asks."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        match node:
            case ast.Call(func=ast.Name(id="Choose" | "Confirm" | "Text"), keywords=keywords):
                yield from (written(one.value) for one in keywords if one.arg == "key")
            case ast.Call(func=ast.Name(id="typed"), args=[key, *_]):
                yield written(key)


@pytest.mark.parametrize("room", ["plans", "commands"])
def test_every_question_has_its_own_help(room: str) -> None:
    files = sorted((Path(__file__).parents[1] / "tuner" / room).glob("*.py"))
    keys = [key for one in files for key in keys_in(one)]
    assert len(keys) > 30
    # A key whose last word is computed is met in the sessions and setups below.
    assert [key for key in keys if not (about(key) or key.endswith("x"))] == []


def without_help(asked: Iterable[Question]) -> set[str]:
    """Return the keys of the questions of which ``?`` says no more than they do themselves."""
    keys = set()
    for one in asked:
        text = about(one.line.key)
        says_more = len(text) > 30 and text not in one.line.says
        if not (says_more or isinstance(one.accepts, Go) or getattr(one.accepts, "is_reading", 0)):
            keys.add(one.line.key)
    return keys


@pytest.mark.parametrize(
    "session",
    [
        {},
        {"machine": "pack-mule"},
        {"fault": "feeder-slip"},
        {"test": "lost-steps", "fault": "slack-belt"},
        {"test": "axis-test", "fault": "play"},
        {"test": "squareness", "fault": "skew"},
    ],
    ids=str,
)
def test_every_question_of_a_rehearsal_says_more_when_asked(
    session: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Question] = []
    answer = HandsOff.ask

    def recorded(self: HandsOff, question: Question) -> str:
        asked.append(question)
        return answer(self, question)

    monkeypatch.setattr(HandsOff, "ask", recorded)
    usual: dict[str, Any] = {"fault": None, "machine": None, "axes": None}
    status = rehearse(home=tmp_path, seed=1, hands_off=True, plain=True, **(usual | session))
    assert status == 0
    assert len(asked) > 5
    assert without_help(asked) == set()


def questions_of(plan: Plan, answers: Mapping[str, str]) -> list[Question]:
    """Run `plan` to its end, Enter where `answers` have nothing, and return what it asked."""
    asked = []
    message = next(plan)
    while True:
        reply = Value(None)
        if isinstance(message, Choose | Text | Confirm):
            asked.append(question_of(message))
            assert len(asked) < 200
            reply = Value(answers.get(message.key, getattr(message, "default", "")))
        try:
            message = plan.send(reply)
        except StopIteration:
            return asked


@pytest.mark.parametrize(
    "answers",
    [
        GEARED,
        {**ONE_AXIS, "x.pitch_mm": "20.2/10", "x.pitch_mm.standard": "2"},
        {**ONE_AXIS, "x.kind": "measured", "x.travel_per_rev_mm": "600", "x.unusual": "yes"},
        {**ONE_AXIS, "x.kind": "screw", "x.pitch_mm": "8", "x.lead": "lead", "x.starts": "4"},
        {**ONE_AXIS, "x.kind": "rack", "x.module_mm": "31/10", "x.pinion_teeth": "20"},
        {**GEARED, "e.max_temperature": "80", "e.cold": "yes", "stored.form": "mixed"}
        | {f"{one}.form": "steps_per_mm" for one in "xyze"},
    ],
)
def test_every_question_of_a_setup_says_more_when_asked(answers: dict[str, str]) -> None:
    asked = questions_of(card_setup({}), answers)
    assert len(asked) > 15
    assert without_help(asked) == set()


def test_every_question_of_an_intake_says_more_when_asked() -> None:
    card = parse_card(card_text("bench-mule"), "card")
    asked = questions_of(intake(card, "card.toml"), {"job.number": "7", "job.right": "keep"})
    assert len(asked) > 5
    assert without_help(asked) == set()


def test_a_reading_without_a_text_of_its_own_is_explained_too() -> None:
    assert "same light pressure" in explanation(READING, Line("READING", "x.near.1"))
    assert "inlet" in explanation(READING, Line("READING", "e.mark"))


@pytest.mark.parametrize(
    ("n", "says"),
    [
        ("0", ["again asks once more", "undo returns to the question before"]),
        ("1", ["again approaches", "undo returns to the question before"]),
        ("2", ["again approaches", "undo takes the reading before this one back"]),
    ],
)
def test_what_undo_and_again_do_at_this_reading(n: str, says: list[str]) -> None:
    accepts = Length(0.0, 150.0, is_reading=True, may_undo=True)
    text = explanation(accepts, Line("READING", "x.near", (("n", n),)))
    assert [one for one in says if one not in text] == []


def test_an_angle_is_asked_for_as_one() -> None:
    angle = Length(0.0, 720.0, unit="deg")
    assert prompt(angle).startswith("angle in deg")
    assert "degrees" in explanation(angle) and "mm" not in explanation(angle)
    assert prompt(Length(-180.0, 180.0, True, unit="deg")).startswith("reading in deg")
    assert while_typing(angle, "12,5") == "Enter: 12.50 deg"
