"""The look at a mark on the motor's shaft: asked for where it splits, with its one turn."""

from __future__ import annotations

from pathlib import Path

import pytest

from tuner.card.read import parse_card
from tuner.commands.live import dialect_of, simulated
from tuner.commands.rehearse import run_rehearsal
from tuner.commands.resume import resume
from tuner.messages import Question
from tuner.rehearsal.faults import card_text
from tuner.rehearsal.hands import Hands


class Answers(Hands):
    """The simulated person, but for some answers."""

    instead: dict[str, str]

    def answer(self, question: Question) -> str:
        answer = super().answer(question)
        return self.instead.get(question.line.key, answer)


def session(home: Path, fault: str, **instead: str) -> int:
    card = parse_card(card_text(), "card")
    url = f"rehearse://bench-mule?seed=3&fault={fault}&axis=x"
    setup, port = simulated(home, card, dialect_of(card, None), ("x",), url)
    hands = Answers(port.machine, 3)
    hands.instead = {f"x.{key.replace('_', '-')}": answer for key, answer in instead.items()}
    return run_rehearsal(setup, hands, None)


def keys(shown: str, tag: str) -> list[str]:
    return [line.split(" ")[1] for line in shown.splitlines() if line.startswith(f"{tag} ")]


def last_result(shown: str) -> str:
    return [line for line in shown.splitlines() if line.startswith("RESULT x ")][-1]


def test_a_mark_tells_the_motor_from_what_it_drives(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert session(tmp_path, "microsteps") == 0
    shown = capsys.readouterr().out
    asked = keys(shown, "CHOICE")
    assert asked.index("x.motor-turn") < asked.index("x.mark-drawn")
    assert asked.index("x.mark-drawn") < asked.index("x.look.motor-turn")
    # The position is unknown after the machine was off: the first move is watched once more.
    assert asked[: asked.index("x.look.motor-turn")].count("x.first-move") == 2
    after = shown[shown.index("CHOICE x.look.motor-turn") :]
    # The teeth are out of it, without being counted.
    assert "pulley-teeth" not in after
    assert "8 microsteps, the card says 16; proposed: 40" in last_result(shown)


def test_the_mark_moves_by_the_steps_of_one_turn_since_it_was_drawn(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session(tmp_path, "microsteps")
    (move,) = [
        line for line in capsys.readouterr().out.splitlines() if line.startswith("MOVE x.one-turn")
    ]
    assert "to_mm=40.0000" in move


def test_it_can_be_left_out(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert session(tmp_path, "microsteps", motor_turn="no") == 0
    shown = capsys.readouterr().out
    assert "x.one-turn" not in shown
    assert "8 microsteps, the card says 16; proposed: 40" in last_result(shown)


def test_without_room_for_a_turn_the_parts_are_looked_at(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    card = parse_card(card_text(), "card")
    url = "rehearse://bench-mule?seed=3&fault=microsteps&axis=x"
    setup, port = simulated(tmp_path, card, dialect_of(card, None), ("x",), url)

    class Cramped(Hands):
        drawn = False

        def answer(self, question: Question) -> str:
            self.drawn |= question.line.key == "x.mark-drawn"
            if self.drawn and question.line.key.startswith("x.free-"):
                return "40"
            return super().answer(question)

    assert run_rehearsal(setup, Cramped(port.machine, 3), None) == 0
    shown = capsys.readouterr().out
    assert "NOTE x.no-turn | There are no 88 mm free" in shown
    assert "x.look.motor-turn" not in shown


def test_nobody_is_asked_where_it_splits_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session(tmp_path, "step-angle")
    assert "x.motor-turn" not in keys(capsys.readouterr().out, "CHOICE")


@pytest.mark.parametrize("at", ["x.mark-drawn", "x.first-move", "x.look.motor-turn"])
def test_cut_off_on_the_way_it_goes_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], at: str
) -> None:
    card = parse_card(card_text(), "card")
    url = "rehearse://bench-mule?seed=3&fault=microsteps&axis=x"
    setup, port = simulated(tmp_path, card, dialect_of(card, None), ("x",), url)

    class Leaves(Hands):
        drawn = False

        def answer(self, question: Question) -> str:
            self.drawn |= question.line.key == "x.mark-drawn"
            answer = super().answer(question)
            return "stop" if self.drawn and question.line.key == at else answer

    assert run_rehearsal(setup, Leaves(port.machine, 3), None) != 0
    capsys.readouterr()
    assert resume(home=tmp_path, session="last", url=None, plain=True, hands_off=True) == 0
    assert "8 microsteps, the card says 16; proposed: 40" in last_result(capsys.readouterr().out)


def test_every_look_is_one_question_with_the_card_beside_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert session(tmp_path, "pulley-teeth") == 0
    asked = [line for line in capsys.readouterr().out.splitlines() if ".look." in line]
    asked = [line.partition(" | ")[2] for line in asked if line.startswith("CHOICE ")]
    assert asked == [
        "X: read the stored number again from the controller, to its last digit. Does it hold 64 "
        "(and not the 80 of the card)?",
        "X: power off and unplugged: count the teeth of the pulley on the motor shaft. Has it 16 "
        "teeth (and not the 20 of the card)?",
    ]


class Corrects(Hands):
    """The simulated person, who answers some questions with one text after the other at first."""

    first: dict[str, list[str]]

    def answer(self, question: Question) -> str:
        answer = super().answer(question)
        left = self.first.get(question.line.key)
        return left.pop(0) if left else answer


NUMBER, PULLEY = "x.look.stored-number.64", "x.look.pulley-teeth.16"


@pytest.mark.parametrize(
    ("wrong", "right", "asked_again"),
    [
        ({NUMBER: "yes"}, "undo", [NUMBER, PULLEY]),
        ({NUMBER: "yes"}, "no", [NUMBER, PULLEY]),
        ({PULLEY: "no"}, "no", [NUMBER, PULLEY]),
    ],
)
def test_a_wrong_answer_at_the_last_look_is_given_anew(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    wrong: dict[str, str],
    right: str,
    asked_again: list[str],
) -> None:
    card = parse_card(card_text(), "card")
    url = "rehearse://bench-mule?seed=3&fault=pulley-teeth&axis=x"
    setup, port = simulated(tmp_path, card, dialect_of(card, None), ("x",), url)
    hands = Corrects(port.machine, 3)
    hands.first = {"x.looks-right": [right], **{key: [one] for key, one in wrong.items()}}
    assert run_rehearsal(setup, hands, None) == 0
    shown = capsys.readouterr().out
    asked = keys(shown, "CHOICE")
    at = asked.index("x.looks-right")
    assert asked[at + 1 :] == [*asked_again, "x.looks-right"]
    assert "no to stored-number 64, yes to pulley-teeth 16. Write the proposal so?" in shown
    assert "16 teeth, the card says 20; proposed: 100 instead of 80" in last_result(shown)
    (proposal,) = tmp_path.glob("proposals/*.toml")
    assert 'verdict = "change"' in proposal.read_text(encoding="utf-8")
