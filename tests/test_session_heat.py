"""Heat from a plan to the wire and back, on the simulated machine.

What left is held against the rules of the evidence: a line that heats has its own caution and
its own consent, and whatever happens, the last word to the heaters is off.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import evidence
import pytest
from fakes import CARD_TEXT, FEEDER_TEXT, ScriptedPerson, card

from tuner.card.dialect import read_dialect
from tuner.errors import Unanswered
from tuner.messages import Approach, Choose, Decided, Heat, Limits, Message, Observe, Plan, Question
from tuner.safety.gate import Gate
from tuner.session.engine import Engine, Outcome
from tuner.session.logbook import Logbook, SessionHead, Step
from tuner.session.record import LoggedTranscript, RecordedPerson, transcript_path
from tuner.wire.controller import Controller
from tuner.wire.port import Port

PRINTER = read_dialect("printer", None)
CARD = card(CARD_TEXT + FEEDER_TEXT)
GREETING = Observe(key="greeting", what="greeting")
NOZZLE = Heat(key="e.heat", heater="nozzle", target_c=200)
COOL = Heat(key="e.cool", heater="nozzle", target_c=0)
ASKED = Choose(key="e.goes", options=("yes", "no"))
LIMITS = Limits(
    axis="x", minus_mm=-50.0, plus_mm=50.0, scale_low=1.0, scale_high=1.0, direction_seen=True,
    at_mm=0.0,
)  # fmt: skip
MOVE = Approach(
    key="x.near.1", axis="x", to_mm=10.0, approach="plus", over_mm=1.0, feed_mm_per_min=600.0
)
HEAD = SessionHead(
    id="s-1", machine="Bench mule", card="card", dialect="dialect", port="none", plan="test",
    plan_version=1, params={}, tool_version="0",
)  # fmt: skip

Run = Callable[..., tuple[Outcome, list[str]]]


def is_sent(step: Step) -> bool:
    return (step.phase, step.kind, step.key) == ("sent", "line", "")


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Run]:
    """Return what runs messages on the mule: the outcome, and every line that left."""
    logbook = Logbook(tmp_path / "logbook.db")

    def ran(
        answers: Sequence[str] | Callable[[Question], str], *messages: Message
    ) -> tuple[Outcome, list[str]]:
        port = Port.open("rehearse://bench-mule?fault=none", 115200)
        log = logbook.begin(HEAD, port.clock)
        path = transcript_path(tmp_path, "s-1", 1)
        transcript = LoggedTranscript(path, port.clock, log)

        def plan() -> Plan:
            for message in messages:  # noqa: UP028  (the replies go to nobody)
                yield message
            return None

        engine = Engine(
            person=RecordedPerson(ScriptedPerson(answers), transcript, log),
            connect=lambda: Controller(port, PRINTER, transcript),
            gate=Gate(CARD.axes, PRINTER, port.clock),
            log=log,
            clock=port.clock,
            hold_time_s=120.0,
            file_proposal=lambda *_: ("p", "p"),
        )
        outcome = engine.run(plan)
        transcript.close()
        records = evidence.parse(path)
        assert evidence.check(records) == []
        sent = [record.text for record in records if record.kind == ">"]
        assert sent == [step.body for step in logbook.steps("s-1") if is_sent(step)]
        return outcome, sent

    yield ran
    logbook.close()


def test_every_run_has_a_transcript_of_its_own(tmp_path: Path) -> None:
    names = [transcript_path(tmp_path, "s-1", run) for run in (1, 2, 10)]
    assert names == [tmp_path / "wire" / f"s-1{run}.txt" for run in ("", "-run2", "-run10")]


def test_a_nozzle_is_heated_asked_about_and_cooled(run: Run) -> None:
    outcome, sent = run(["go", "yes", "no"], GREETING, NOZZLE, ASKED, COOL, ASKED)
    assert (outcome.ended_as, outcome.exit_status) == ("finished", 0)
    assert sent.count("M104 S200") == 1
    assert sent[sent.index("M104 S200") - 1] == "M83"
    assert sent.count("M104 S0") == sent.count("M140 S0") == 2
    assert sent.count("M105") > 30


def test_an_axis_does_not_move_beside_a_hot_nozzle(run: Run) -> None:
    declared = Decided(key="x.limits", value=LIMITS)
    outcome, sent = run(["go"], GREETING, NOZZLE, declared, MOVE)
    assert (outcome.ended_as, outcome.exit_status) == ("failed", 1)
    assert [line for line in sent if line.startswith("G1 ")] == []
    assert "M104 S0" in sent


def test_a_nozzle_is_not_heated_beside_an_axis(run: Run) -> None:
    declared = Decided(key="x.limits", value=LIMITS)
    outcome, sent = run(["go"], GREETING, declared, MOVE, NOZZLE)
    assert outcome.exit_status == 1
    assert "G1 X10 F600" in sent
    assert "M104 S200" not in sent


def test_nobody_answers(run: Run) -> None:
    def answers(question: Question) -> str:
        if question.line.tag == "CONFIRM":
            return "go"
        raise Unanswered(question.patience_s or 0.0)

    outcome, sent = run(answers, GREETING, NOZZLE, ASKED)
    assert outcome == Outcome("unanswered", 1, None)
    assert sent.index("M104 S0") > sent.index("M104 S200")


def test_a_stop_at_the_consent_heats_nothing(run: Run) -> None:
    outcome, sent = run(["stop"], GREETING, replace(NOZZLE, heater="bed", target_c=60))
    assert outcome.exit_status == 3
    assert "M140 S60" not in sent
