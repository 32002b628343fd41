"""Whole sessions under everything that a person, a line and a machine can do, in any order.

A hypothesis state machine: its rules answer well, answer wrongly, are silent, type ahead, stop,
lose, garble, delay and reorder lines, restart the controller, pull the cable, press buttons on
the machine's own panel. The program is the real one from the session down to the port; the
machine is the simulated one, in virtual time. After every session its transcript, the lines that
reached the machine, and the machine itself are held against what must be.

``tests/bench/state_machine.py`` runs many more.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import evidence
import pytest
from conftest import replay_everything
from hypothesis import HealthCheck, currently_in_test_context, event, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    rule,
)
from model.played import ANSWER_FAULTS, Played

from tuner.card.dialect import read_dialect
from tuner.card.read import parse_card
from tuner.errors import ControllerRestarted, NoAnswer
from tuner.rehearsal.faults import BENCH_MULE, FAULTS, card_text, machine
from tuner.rehearsal.hands import Hands
from tuner.safety import gate
from tuner.session.engine import Engine
from tuner.wire.controller import Controller, HeatersLeft
from tuner.wire.link import Event

CARD = parse_card(card_text(), "the mule's card")
DIALECT = read_dialect(CARD.dialect, None)
MULES_FAULTS = sorted(name for name, fault in FAULTS.items() if BENCH_MULE in fault.on)
WRONG_WORDS = ("", " ", "GO!", "yes", "go go", "12", "0", "-5", "1e400", "nan", "again", "undo",
               "back", "\x1b[2J", "\u202ego", "x" * 500)  # fmt: skip
AFTER_STOP = {"M105", "M112", "M114", "M104 S0", "M140 S0"}
BUTTONS = ("M104 S200", "M140 S60", "G1 X1 F600", "G1 Y-1 F600", "G90", "M105")
COUNTS = st.integers(0, 40)
QUESTIONS = st.integers(0, 40)
SELDOM = st.integers(0, 5)


class Sessions(RuleBasedStateMachine):
    """A person, a line and a machine; sessions one after the other in one folder."""

    def __init__(self) -> None:
        super().__init__()
        # In memory where there is such a place: every step of a session waits for the disk.
        memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
        self.home = Path(tempfile.mkdtemp(prefix="sessions-", dir=memory))
        self.judged: set[Path] = set()
        self.played: Played | None = None

    # --- beginning ----------------------------------------------------------------------

    @initialize(
        fault=st.just("none") | st.sampled_from(MULES_FAULTS),
        axis=st.sampled_from("xyz"),
        seed=st.integers(0, 99),
        questions=QUESTIONS,
    )
    def a_machine(self, fault: str, axis: str, seed: int, questions: int) -> None:
        self.axis = axis
        self.mule = machine(fault, axis if axis in FAULTS[fault].axes else None, seed)
        self.hands = Hands(self.mule, seed)
        self.questions = questions

    # --- the person ---------------------------------------------------------------------

    @property
    def session(self) -> Played:
        """The session that goes on; when the one before has ended a new one, already under way."""
        while self.played is None:
            self.played = Played(self.home, CARD, DIALECT, (self.axis,), self.mule)
            if not self.goes_well(self.questions):
                self.questions //= 2  # this machine's sessions are shorter than that
        return self.played

    def goes_well(self, questions: int) -> bool:
        """Answer that many questions as one should; false when the session ends before."""
        for _ in range(questions):
            assert self.played is not None
            assert self.played.question is not None
            self.played.answer(self.hands.answer(self.played.question))
            if self.has_ended():
                return False
        return True

    def typed(self, text: str) -> None:
        assert self.session.question is not None
        self.hands.caliper_shows(self.session.question)  # they see what moves, whatever they type
        self.session.answer(text)
        self.has_ended()

    @rule(questions=st.integers(1, 15))
    def answers_well(self, questions: int) -> None:
        assert self.session
        self.goes_well(questions)

    @rule(text=st.sampled_from(WRONG_WORDS) | st.text(max_size=20))
    def says_a_wrong_word(self, text: str) -> None:
        self.typed(text)

    @rule()
    def says_go(self) -> None:
        self.typed("go")

    @rule(mm=st.floats(0.0, 150.0).map(lambda mm: f"{mm:.2f}"))
    def reads(self, mm: str) -> None:
        self.typed(mm)

    @rule(seconds=st.sampled_from((1.0, 29.0, 31.0, 119.0, 121.0, 299.0, 301.0, 4000.0)))
    def is_silent(self, seconds: float) -> None:
        self.session.wait(seconds)
        self.has_ended()

    @rule()
    def types_ahead(self) -> None:
        self.session.pending.append("go")

    @rule(really=SELDOM)
    def stops(self, really: int) -> None:
        if not really:
            self.session.stop()
            self.has_ended()

    @rule(reads=st.integers(0, 300))
    def stops_while_it_reads(self, reads: int) -> None:
        self.session.door.stop_in_reads = reads

    # --- the line and the machine -------------------------------------------------------

    @rule(passing=COUNTS, what=st.sampled_from(("lost", "garbled")))
    def a_line_fails(self, passing: int, what: str) -> None:
        self.session.door.to_machine.append((passing, what))

    @rule(
        passing=COUNTS,
        what=st.sampled_from(ANSWER_FAULTS),
        seconds=st.sampled_from((0.1, 0.4, 2.0, 6.0, 12.0, 40.0)),
    )
    def an_answer_fails(self, passing: int, what: str, seconds: float) -> None:
        self.session.door.to_program.append((passing, what, seconds))

    @rule(lines=COUNTS)
    def the_controller_restarts(self, lines: int) -> None:
        self.session.door.to_machine.append((lines, "restart"))

    @rule()
    def the_controller_restarts_now(self) -> None:
        self.session.door.restart()

    @rule(really=SELDOM, lines=COUNTS)
    def the_cable_comes_out(self, really: int, lines: int) -> None:
        if not really:
            self.session.door.to_machine.append((lines, "unplugged"))

    @rule(really=SELDOM, line=st.sampled_from(BUTTONS))
    def somebody_presses_a_button(self, really: int, line: str) -> None:
        if really:
            return
        self.session.foreign_moves += line.startswith("G1")
        self.session.door.somebody_else_sends(line)

    # --- what must be -------------------------------------------------------------------

    def has_ended(self) -> bool:
        """Say whether the session is over, and judge it then."""
        assert self.played is not None
        if self.played.question is not None:
            return False
        session, self.played = self.played, None
        self.judge(session)
        return True

    def teardown(self) -> None:
        try:
            if self.played is not None:
                self.played.stop()
                self.judge(self.played)
            replay_everything(self.home / "logbook.db")
        finally:
            shutil.rmtree(self.home)

    def judge(self, session: Played) -> None:
        (path,) = set((self.home / "wire").glob("*.txt")) - self.judged
        self.judged.add(path)
        records = evidence.parse(path)
        assert evidence.check(records) == []
        assert session.wrong == []
        sent = evidence.motion_lines(records)
        carried_out = [line for line in session.door.delivered if re.match("G1|G28", line)]
        assert is_among(carried_out, sent), (carried_out, sent)
        assert no_motion_in_doubt(records) == []
        assert set(session.door.sent_after_stop) <= AFTER_STOP
        assert session.ended in (0, 1, 3)
        if currently_in_test_context():
            event(f"ended with {session.ended} after {'some' if sent else 'no'} moves")
        self.heaters_are_off(session, records)

    def heaters_are_off(self, session: Played, records: list[evidence.Record]) -> None:
        connected = any(one.kind == ">" for one in records)
        (said, *more) = [line.says for line in session.said if line.key == "heaters"] or [""]
        assert not more
        if connected:
            assert said
            lost = "went away" in said
            assert lost or any(one.kind == ">" and "M104 S0" in one.text for one in records)
        if said == "every heater reports that it is off":
            heaters = self.mule.controller._heaters
            assert [one.target_c for one in heaters.values()] == [0.0] * len(heaters)


def is_among(few: list[str], many: list[str]) -> bool:
    """Whether `few` is `many` with some left out."""
    rest = iter(many)
    return all(one in rest for one in few)


def no_motion_in_doubt(records: list[evidence.Record]) -> list[str]:
    """Return every motion line that left after something had made the position doubtful."""
    doubt = ""
    findings = []
    for record in records:
        if record.kind == "<" and record.text == "start":
            doubt = f"line {record.number}: the controller had greeted"
        elif record.kind == "!" and re.match("no answer to '(G1|G28|M400)|stop", record.text):
            doubt = f"line {record.number}: {record.text}"
        elif record.kind == "~" and "free-plus" in record.text:
            doubt = ""  # somebody declares where the axis stands
        elif record.kind == ">" and evidence.motion_lines([record]) and doubt:
            findings.append(f"'{record.text}' was sent, but {doubt}")
    return findings


QUICK: dict[str, Any] = {
    "max_examples": 50,
    "stateful_step_count": 30,
    "deadline": None,
    "derandomize": True,
    "suppress_health_check": list(HealthCheck),
}
TestSessions = Sessions.TestCase
TestSessions.settings = settings(**QUICK)


# --- mistakes, each of which is found ---------------------------------------------------


def asks_nobody(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(gate, "_await_go", lambda *_: None)


def overlooks_greetings(patch: pytest.MonkeyPatch) -> None:
    hear = Controller._hear

    def deaf(self: Controller, deadline_s: float) -> list[Event]:
        unknown = self.position_unknown
        try:
            return hear(self, deadline_s)
        except ControllerRestarted:
            self.position_unknown = unknown
            return []

    patch.setattr(Controller, "_hear", deaf)


def sends_a_line_again(patch: pytest.MonkeyPatch) -> None:
    ask_once = Controller._ask_once

    def twice(self: Controller, *line: Any) -> list[Event]:
        try:
            return ask_once(self, *line)
        except NoAnswer:
            self._get_into_step(self._clock.now_s() + 10.0)
            return ask_once(self, *line)

    patch.setattr(Controller, "_ask_once", twice)


def leaves_hot(patch: pytest.MonkeyPatch) -> None:
    off = HeatersLeft(True, "every heater reports that it is off")
    patch.setattr(Controller, "heaters_off", lambda _: off)


def overlooks_a_stop(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Engine, "stop", lambda _: None)


Life = Callable[[Sessions], None]


def until_it_asks_for_go(life: Sessions) -> None:
    """Answer well until the first move has been shown."""
    while life.session.question is None or life.session.question.line.tag != "CONFIRM":
        life.answers_well(1)


def stop_in_a_move(life: Sessions) -> None:
    until_it_asks_for_go(life)
    life.stops_while_it_reads(30)
    life.answers_well(15)


def restart_before_a_move(life: Sessions) -> None:
    until_it_asks_for_go(life)
    life.the_controller_restarts_now()
    life.answers_well(15)


def lose_the_answer_to_a_move(life: Sessions) -> None:
    until_it_asks_for_go(life)
    life.an_answer_fails(3, "lost", 0.0)  # after one temperature report and a position in two lines
    life.answers_well(15)


def stop_at_a_question(life: Sessions) -> None:
    until_it_asks_for_go(life)
    life.somebody_presses_a_button(0, "M104 S200")
    life.stops(0)


def a_move(life: Sessions) -> None:
    life.answers_well(15)


@pytest.mark.parametrize(
    ("mistake", "goes_on"),
    [
        (asks_nobody, a_move),
        (overlooks_greetings, restart_before_a_move),
        (sends_a_line_again, lose_the_answer_to_a_move),
        (leaves_hot, stop_at_a_question),
        (overlooks_a_stop, stop_in_a_move),
    ],
)
def test_a_mistake_is_found(
    monkeypatch: pytest.MonkeyPatch, mistake: Callable[[pytest.MonkeyPatch], None], goes_on: Life
) -> None:
    """The program as it is lives through it; with the mistake in it, it does not."""
    live(goes_on)
    mistake(monkeypatch)
    with pytest.raises(AssertionError):
        live(goes_on)


def live(goes_on: Life) -> None:
    life = Sessions()
    try:
        life.a_machine("none", "x", 1, 0)
        goes_on(life)
    finally:
        life.teardown()
