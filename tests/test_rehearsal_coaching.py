"""Whoever rehearses without a machine is told what there is to see before every question.

Not before a go, which is theirs to give, nor before a text that may be anything.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from cut_off import resume, run, without_waiting_for_the_disk
from interrupted_world import PROCEDURES, Procedure

from tuner.commands import rehearse
from tuner.messages import Go, Question, Text
from tuner.plans.procedures import PROCEDURES as TESTS
from tuner.rehearsal.hands import Hands

STOPPED = 3


class Walk:
    """The questions of some sessions: which were asked, and which of them without a hint.

    `differently` is what is answered once, by the end of a key, instead of what the simulated
    person would.
    """

    def __init__(self, patched: pytest.MonkeyPatch, differently: dict[str, str]) -> None:
        self.asked: set[str] = set()
        self.bare: set[str] = set()
        answer = Hands.answer

        def noting(hands: Hands, question: Question) -> str:
            seen = hands.caliper_shows(question)
            typed = answer(hands, question)
            return self._noted(question, seen) or typed

        self._differently = dict(differently)
        patched.setattr(Hands, "answer", noting)

    def _noted(self, question: Question, seen: str | None) -> str | None:
        message = question.message
        if message is None or isinstance(question.accepts, Go):
            return None
        is_free_text = isinstance(message, Text) and not (message.suggestions or message.default)
        if seen is None and not (is_free_text and message.low_mm is None):
            self.bare.add(message.key)
        self.asked.add(message.key)
        return self._differently.pop(message.key.rpartition(".")[2], None)


def walk(
    home: Path, patched: pytest.MonkeyPatch, one: Procedure, differently: dict[str, str]
) -> tuple[Walk, int]:
    seen = Walk(patched, differently)
    with without_waiting_for_the_disk():
        one.prepare(home)
        return seen, one.begin(home)


@pytest.mark.parametrize("one", PROCEDURES, ids=str)
def test_every_question_of_every_procedure_comes_with_a_hint(
    one: Procedure, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen, status = walk(tmp_path, monkeypatch, one, {})
    assert status == 0
    assert seen.asked
    assert not seen.bare


def test_no_procedure_is_left_out() -> None:
    assert set(TESTS) <= {one.name for one in PROCEDURES}


@pytest.mark.parametrize(
    ("asked", "differently", "leads_to"),
    [
        (("--axis", "x"), {"caliper-held": "mounted"}, "x.slide-now"),
        (("--fault", "none", "--axis", "x", "--axis", "y"), {"when": "leave-out"}, "left-out"),
        (("--axis", "y", "--fault", "none"), {"free-minus": "0"}, "y.no-room"),
        (("--axis", "x", "--fault", "wrong-way"), {"first-move": "about-right"},
         "x.reading-direction"),
        (("--axis", "x", "--fault", "not-powered"), {"after-look": "try-again"}, "x.touched"),
        (("--axis", "c", "--fault", "none"), {"read-how": "radius"}, "c.circle"),
        (("--axis", "e", "--fault", "cold-feed-refused"), {}, "e.cold-refused"),
        (("--axis", "z", "--fault", "lost-steps", "--test", "lost-steps"), {}, "z.holds"),
        (("--axis", "x", "--fault", "limit-clipped"), {}, "x.touched"),
    ],
)  # fmt: skip
def test_who_answers_differently_is_not_left_alone_either(
    asked: tuple[str, ...],
    differently: dict[str, str],
    leads_to: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen, _ = walk(tmp_path, monkeypatch, Procedure("", asked), differently)
    assert leads_to in seen.asked
    assert not seen.bare


def test_what_is_asked_after_an_interruption_comes_with_hints(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = Procedure("", ("--axis", "x", "--fault", "none"))
    seen, status = walk(tmp_path, monkeypatch, begun, {"still": "yes", "ten": "stop"})
    assert status == STOPPED
    with without_waiting_for_the_disk():
        assert resume(tmp_path) == 0
    assert "x.placed-again" in seen.asked
    assert not seen.bare


def test_a_newcomer_is_coached_through_a_hunt(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A hint is a line of its own before its question."""
    monkeypatch.setattr(rehearse, "Answering", rehearse.Coached)
    hunt = ("--test", "lost-steps", "--fault", "torque-limit", "--axis", "x")
    with without_waiting_for_the_disk():
        assert run(tmp_path, "rehearse", "--hands-off", *hunt) == 0
    lines = capsys.readouterr().out.splitlines()
    hints = {
        line.split()[1]: before.removeprefix("NOTE rehearsal | on the simulated machine, ")
        for before, line in pairwise(lines)
        if line.startswith(("CHOICE x.", "TEXT x."))
    }
    expected = {
        "x.same-height": "nothing was made on it yet, so nobody knows where anything was lost",
        "x.same-direction": "nobody knows that either",
        "x.belt-tension": "the belt of X is firm",
        "x.pulley-screws": "the screws of the pulley or coupling are tight",
        "x.runs-free": "X runs evenly from end to end",
        "x.fastest": "the print settings go to 200 mm/s at most",
    }
    assert {key: hints[key] for key in expected} == expected
