"""The engine: what a person sees of each message, and every way out leaves the machine cold."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fakes import (
    ALL_OFF,
    CARD_TEXT,
    COLD,
    FEEDER_TEXT,
    FakeController,
    ScriptedPerson,
    SetClock,
    card,
    dialect,
)

from tuner.console.desk import StopRequest, stop_failed
from tuner.errors import (
    BenchFault,
    ControllerRestarted,
    HeatRefused,
    LineRefused,
    NoAnswer,
    OutsideEnvelope,
    PortLost,
    PortUnavailable,
    PositionUnknown,
    Stopped,
    TooHot,
    Unanswered,
)
from tuner.messages import (
    REFUSED,
    Again,
    Approach,
    Ask,
    Checkpoint,
    Choose,
    Confirm,
    Decided,
    Heat,
    Interrupted,
    Limits,
    Line,
    Message,
    Observe,
    Plan,
    Propose,
    Question,
    Reference,
    Reply,
    Say,
    Text,
    Undo,
    Value,
    fingerprint,
)
from tuner.safety.gate import Gate
from tuner.safety.heat import Heater, Heaters
from tuner.session.engine import Engine, Outcome
from tuner.session.logbook import Logbook, SessionHead, Step
from tuner.session.record import RecordedPerson
from tuner.session.replay import as_it_was_left, replay
from tuner.wire.controller import HeatersLeft
from tuner.wire.transcript import Transcript

CARD = card()
HEAD = SessionHead(
    id="s-1", machine="Test slide", card="card", dialect="dialect", port="none", plan="test",
    plan_version=1, params={}, tool_version="0",
)  # fmt: skip
UNCONFIRMED = HeatersLeft(False, "the heaters are not confirmed off; switch off at the mains")
GREETING = Observe(key="greeting", what="greeting")
LEAVING = Observe(key="leaving", what="leaving")
LIMITS = Limits(
    axis="x", minus_mm=-100.0, plus_mm=100.0, scale_low=1.0, scale_high=1.0, direction_seen=True,
    at_mm=0.0,
)  # fmt: skip
DECLARED = Decided(key="x.limits", value=LIMITS)
MOVE = Approach(
    key="x.near.1", axis="x", to_mm=10.0, approach="plus", over_mm=1.0, feed_mm_per_min=600.0
)
READING = Ask(
    key="x.near.1", axis="x", at_mm=10.0, approach="plus", n=3, low_mm=0.0, high_mm=150.0,
    expected_mm=70.0, within_mm=3.0, may_undo=True, says="Reading 3: what does the caliper show?",
)  # fmt: skip
KEPT: dict[str, Any] = {"verdict": "keep", "readings": []}


class Bench:
    """An engine with everything around it; `seen` has what was shown and what was done."""

    def __init__(self, file: Path) -> None:
        self.seen: list[Any] = []
        self.clock = SetClock(1000.0)
        self.controller = FakeController(clock=self.clock, seen=self.seen)
        self.file = file
        self.logbook = Logbook(file)
        self.log = self.logbook.begin(HEAD, self.clock)
        self.gate = Gate(CARD.axes, dialect(), self.clock)
        self.proposals: list[tuple[str, dict[str, Any]]] = []
        self.heard: list[Reply] = []
        self.person = ScriptedPerson([], self.seen)
        self.transcript = Transcript(file.with_name("wire.txt"), self.clock)

    def engine(self, answers: Sequence[str] | Callable[[Question], str], **how: Any) -> Engine:
        self.person = ScriptedPerson(answers, self.seen)

        def connect() -> Any:
            self.controller._does("connect")
            return self.controller

        def file_proposal(axis: str, finding: dict[str, Any]) -> tuple[str, str]:
            self.proposals.append((axis, finding))
            return "p-1", "/there/p-1.toml"

        return Engine(
            person=RecordedPerson(self.person, self.transcript, self.log),
            connect=connect,
            gate=self.gate,
            log=self.log,
            clock=self.clock,
            hold_time_s=120.0,
            file_proposal=file_proposal,
            **how,
        )

    def plan(self, *messages: Message) -> Plan:
        self.heard = []
        for message in messages:
            reply = yield message
            self.heard.append(reply)
        return {"heard": len(self.heard)}

    def run(
        self, answers: Sequence[str] | Callable[[Question], str], *messages: Message
    ) -> Outcome:
        return self.engine(answers).run(lambda: self.plan(*messages))

    def done(self) -> list[str]:
        """What the controller was made to do, in order."""
        return [one for one in self.seen if isinstance(one, str) and one != "discard"]

    def phases(self) -> list[tuple[str, str]]:
        return [(step.phase, step.kind) for step in self.logbook.steps(HEAD.id)]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "logbook.db")
    yield made
    made.transcript.close()
    made.logbook.close()


# --- each message and its line ------------------------------------------------------------


@pytest.mark.parametrize(
    ("message", "answers", "plain", "value"),
    [
        (Say(key="x.plan", says="words"), [], "NOTE x.plan | words", None),
        (Say(key="x", tag="FIT", fields=(("n", "6"),), says="words"), [],
         "FIT x n=6 | words", None),
        (Checkpoint(key="leaving", step=3, of=7, says="words"), [],
         "STEP leaving step=3 of=7 | words", None),
        (Confirm(key="power-switch", says="words"), ["yes"],
         "CHOICE power-switch options=yes,no default= | words", True),
        (Confirm(key="power-switch", says="words"), ["no"],
         "CHOICE power-switch options=yes,no default= | words", False),
        (Choose(key="x.still", options=("yes", "no"), says="words"), ["2"],
         "CHOICE x.still options=yes,no default= | words", "no"),
        (Choose(key="x.origin", options=("declare", "reference"), default="declare"), [""],
         "CHOICE x.origin options=declare,reference default=declare", "declare"),
        (Text(key="x.job", says="words"), [" Job 7 "], "TEXT x.job default= | words", "Job 7"),
        (Text(key="x.job", high_mm=50.0), ["Job 7"], "TEXT x.job default=", "Job 7"),
        (Text(key="x.free-plus", low_mm=0.0, high_mm=50.0, says="words"), ["12,5 mm"],
         "TEXT x.free-plus unit=mm default= | words", 12.5),
        (Text(key="x.reach", low_mm=0.0, high_mm=50.0, default="10"), [""],
         "TEXT x.reach unit=mm default=10", 10.0),
        (READING, ["70.12"],
         "READING x.near.1 axis=X at_mm=10.0000 approach=plus n=3 | Reading 3: what does the "
         "caliper show? Answer number [mm|in], again, undo, stop", 70.12),
        (replace(READING, seat=2, block_mm=80.0, replaces=7, says=""), ["70.12"],
         "READING x.near.1 axis=X at_mm=10.0000 approach=plus n=3 seat=2 block_mm=80 replaces=7 | "
         "Answer number [mm|in], again, undo, stop", 70.12),
        (replace(READING, unit="deg", may_undo=False, says=""), ["70.12 deg"],
         "READING x.near.1 axis=X at_mm=10.0000 approach=plus n=3 unit=deg | Answer number [deg], "
         "again, stop", 70.12),
        (replace(READING, n=0, may_undo=False, expected_mm=None, says=""), ["0"],
         "READING x.near.1 axis=X at_mm=10.0000 approach=plus n=0 | Answer number [mm|in], again, "
         "stop", 0.0),
        (Propose(key="x.proposal", axis="x", finding=KEPT), [],
         "PROPOSAL x file=/there/p-1.toml | written as p-1; nothing was changed on the machine. "
         "It proposes no change", "p-1"),
        (Propose(key="x.proposal", axis="x", finding=KEPT | {"proposal": {"basis": "parts"}}), [],
         "PROPOSAL x file=/there/p-1.toml | written as p-1; nothing was changed on the machine. "
         "Read it, then decide", "p-1"),
    ],
)  # fmt: skip
def test_each_message_has_its_line(
    bench: Bench, message: Message, answers: list[str], plain: str, value: object
) -> None:
    outcome = bench.run(answers, message)
    assert outcome == Outcome("finished", 0, {"heard": 1})
    assert [line.plain() for line in bench.person.lines] == [plain]
    is_reading = isinstance(message, Ask) and message.n > 0
    assert bench.heard == [Value(value, 1000.0 if is_reading else None)]
    assert bench.phases() == [("intent", type(message).__name__), ("reply", "Value")]
    assert bench.logbook.ending(HEAD.id) == ("finished", {"heard": 1})
    if isinstance(message, Propose):
        assert bench.proposals == [("x", message.finding)]
    for question in bench.seen:
        if isinstance(question, Question):
            assert question.message == message


def test_what_the_machine_says(bench: Bench) -> None:
    what = ("temperatures", "position", "switches", "leaving")
    outcome = bench.run([], GREETING, *(Observe(key=one, what=one) for one in what))
    assert outcome.exit_status == 0
    assert [reply.value for reply in bench.heard if isinstance(reply, Value)] == [
        None, [["T", 21.0, 0.0], ["B", 20.5, 0.0]], {"X": 1.5}, {"x_min": False}, True,
    ]  # fmt: skip
    assert bench.done() == [
        "connect", "open", "temperatures", *what[:3], "heaters_off", "close",
    ]  # fmt: skip
    assert [line.plain() for line in bench.person.lines] == [
        "NOTE heaters | every heater reports that it is off"
    ]


def test_a_machine_that_reports_nothing(bench: Bench) -> None:
    bench.controller.heaters = None
    bench.run([], GREETING, Observe(key="temperatures", what="temperatures"))
    assert bench.heard[-1] == Value(None)


def test_greeting_once_more_keeps_the_port_that_is_open(bench: Bench) -> None:
    bench.run([], GREETING, GREETING)
    assert bench.done()[:5] == ["connect", "open", "temperatures", "open", "temperatures"]


def test_before_the_greeting_there_is_no_machine(bench: Bench) -> None:
    outcome = bench.run([], Observe(key="position", what="position"))
    assert (outcome.ended_as, outcome.exit_status) == ("failed", 1)
    assert bench.done() == []


# --- answers ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("message", "wrong", "right"),
    [
        (Confirm(key="k"), ["", "ye", "maybe", "undo"], "yes"),
        (Choose(key="k", options=("a", "b")), ["", "3", "c", "undo"], "b"),
        (Text(key="k", low_mm=0.0, high_mm=9.0), ["", "nan", "10", "undo"], "9"),
        (READING, ["", "1e1", "151"], "70"),
        (replace(READING, may_undo=False), ["undo"], "70"),
    ],
    ids=lambda value: type(value).__name__,
)
def test_a_refused_answer_asks_the_same_again(
    bench: Bench, message: Message, wrong: list[str], right: str
) -> None:
    bench.run([*wrong, right], message)
    assert bench.person.left == []
    tags = bench.person.tags
    assert tags == [tags[0], *["NOTE", tags[0]] * len(wrong)]
    assert {line.key for line in bench.person.tagged("NOTE")} == {"refused"}
    questions = [one for one in bench.seen if isinstance(one, Question)]
    assert len({one.line for one in questions}) == 1
    assert bench.phases() == [
        ("intent", type(message).__name__), *[("note", "refused")] * len(wrong), ("reply", "Value"),
    ]  # fmt: skip


def test_again_and_undo_reach_the_plan(bench: Bench) -> None:
    bench.run(["again", "undo"], READING, READING)
    assert bench.heard == [Again(), Undo()]


@pytest.mark.parametrize(
    ("typed", "value"),
    [
        (["67.0"], 67.0),
        (["73.0"], 73.0),
        (["66.9", "67.5"], 67.5),
        (["80", "80"], 80.0),
        (["80", "80.09"], 80.09),
        (["80", "81", "81"], 81.0),
        (["80", "81", "80", "70"], 70.0),
        (["80", "80.2", "80.2"], 80.2),
    ],
)
def test_a_far_reading_is_asked_twice(bench: Bench, typed: list[str], value: float) -> None:
    bench.run(typed, READING)
    assert bench.heard == [Value(value, 1000.0)]
    assert bench.person.left == []
    notes = bench.person.tagged("NOTE")
    assert len(notes) == len(typed) - 1
    for note in notes:
        assert "far from the 70.00 mm" in note.says


def test_a_reading_outside_the_caliper_is_to_be_read_again(bench: Bench) -> None:
    bench.run(["151", "70"], READING)
    (note,) = bench.person.tagged("NOTE")
    assert note.says == "151 mm is outside 0 to 150 mm; read the caliper again"


@pytest.mark.parametrize(("second", "asked"), [("0.1", 2), ("0.11", 3)])
def test_what_is_the_same_number_typed_again(bench: Bench, second: str, asked: int) -> None:
    bench.run(["0", second, "0.11"], replace(READING, expected_mm=10.0))
    assert len(bench.person.tagged("READING")) == asked


def test_a_far_reading_may_still_be_approached_again(bench: Bench) -> None:
    bench.run(["80", "again"], READING)
    assert bench.heard == [Again()]


@pytest.mark.parametrize(("waited_s", "n", "late"), [
    (119.0, 3, False), (120.0, 3, False), (120.1, 3, True), (1e5, 0, False),
])  # fmt: skip
def test_a_late_reading_is_approached_again(
    bench: Bench, waited_s: float, n: int, late: bool
) -> None:
    def answers(question: Question) -> str:
        if question.line.tag == "CONFIRM":
            return "go"
        bench.clock.at_s += waited_s
        return "70"

    bench.run(answers, GREETING, DECLARED, MOVE, replace(READING, n=n))
    at_s = round(bench.clock.at_s, 1) if n else None
    assert bench.heard[-1] == (Again() if late else Value(70.0, at_s))
    assert [line.key for line in bench.person.tagged("NOTE")] == [
        *(["late"] if late else []), "heaters",
    ]  # fmt: skip


def test_without_a_move_nothing_is_late(bench: Bench) -> None:
    def answers(question: Question) -> str:
        bench.clock.at_s += 1e6
        return "70"

    bench.run(answers, READING)
    assert bench.heard == [Value(70.0, 1_001_000.0)]


FEED = replace(MOVE, key="e.run.2", axis="e", over_mm=0.0, feed_mm_per_min=60.0)
FED_FROM = Decided(key="e.limits", value=replace(LIMITS, axis="e"))


@pytest.fixture
def feeding(bench: Bench) -> Bench:
    bench.gate = Gate(card(CARD_TEXT + FEEDER_TEXT).axes, dialect(), bench.clock)
    return bench


def test_a_mark_on_filament_is_never_read_too_late(feeding: Bench) -> None:
    def answers(question: Question) -> str:
        if question.line.tag == "CONFIRM":
            return "go"
        feeding.clock.at_s += 1e4
        return "70"

    feeding.run(answers, GREETING, FED_FROM, FEED, replace(READING, axis="e"))
    assert feeding.heard[-1] == Value(70.0, 11_010.0)  # ten seconds to feed


def test_a_feed_that_is_refused_is_for_the_plan_and_its_place_is_unknown(feeding: Bench) -> None:
    feeding.controller.fails["move"] = LineRefused("too cold")
    outcome = feeding.run(["go"], GREETING, FED_FROM, FEED)
    assert (outcome.ended_as, feeding.heard[-1]) == ("finished", Value(REFUSED))
    assert feeding.gate.position_mm("e") is None
    assert "too cold" in [line.says for line in feeding.person.tagged("NOTE")]


def test_a_feed_that_fails_otherwise_ends_the_session(feeding: Bench) -> None:
    feeding.controller.fails["move"] = PortLost("the port went away")
    assert feeding.run(["go"], GREETING, FED_FROM, FEED) == Outcome("port-lost", 1, None)


@pytest.mark.parametrize(
    ("error", "stops"), [(BenchFault("the disk is full"), True), (NoAnswer("silent"), False)]
)
def test_what_cannot_be_written_down_is_stopped(
    bench: Bench, error: Exception, stops: bool
) -> None:
    bench.controller.fails["move"] = error
    bench.run(["go"], GREETING, DECLARED, MOVE)
    after = bench.done()[bench.done().index("move") + 1 :]
    assert after == [*(["stop"] if stops else []), "heaters_off", "close"]


def test_a_reading_is_on_disk_before_the_next_prompt(bench: Bench) -> None:
    counts = []

    def answers(question: Question) -> str:
        there = sqlite3.connect(bench.file)
        counts.append(there.execute("SELECT count(*) FROM reading").fetchone()[0])
        there.close()
        return "70"

    bench.run(answers, *[READING] * 4)
    assert counts == [0, 1, 2, 3]


# --- moving -------------------------------------------------------------------------------


def test_a_move_goes_through_the_gate_and_is_written_down(bench: Bench) -> None:
    outcome = bench.run(["no", "go"], GREETING, DECLARED, MOVE)
    assert outcome.exit_status == 0
    kinds = [one if isinstance(one, str) else type(one).__name__ for one in bench.seen]
    assert kinds == [
        "connect", "open", "temperatures", "temperatures", "Line", "Line", "discard", "Question",
        "Line", "Question", "temperatures", "move", "G1 X10 F600", "Line", "heaters_off", "close",
        "Line",
    ]  # fmt: skip
    assert [line.plain() for line in bench.person.tagged("MOVED")] == [
        "MOVED x.near.1 group=1 | the controller says X is at 10.00 mm"
    ]
    moved = [step for step in bench.logbook.steps(HEAD.id) if step.key == "x.near.1"]
    assert [(step.phase, step.body) for step in moved if step.phase == "consent"] == [
        ("consent", "no"), ("consent", "go"),
    ]  # fmt: skip
    assert [(step.phase, step.kind) for step in moved] == [
        ("intent", "Approach"), ("caution", "CAUTION"), ("consent", "typed"), ("consent", "typed"),
        ("reply", "Value"),
    ]  # fmt: skip


def test_where_it_stands_already_nothing_moves(bench: Bench) -> None:
    bench.run([], GREETING, DECLARED, replace(MOVE, to_mm=0.0, over_mm=0.0))
    assert bench.heard[-1] == Value(None)
    assert "move" not in bench.seen


def test_many_groups_each_have_their_consent(bench: Bench) -> None:
    bench.gate = Gate(CARD.axes, dialect(stop=None), bench.clock)
    bench.run(["go"] * 2, GREETING, DECLARED, replace(MOVE, to_mm=99.0))
    assert [one for one in bench.done() if one == "move"] == ["move"] * 2
    assert bench.person.tags.count("CAUTION") == 5
    assert bench.person.tags.count("MOVED") == 2


def test_a_switch_search_through_the_engine(bench: Bench) -> None:
    bench.run(["go"], GREETING, DECLARED, Reference(key="x.reference", axis="x", position_mm=-2.0))
    assert "G28 X" in bench.seen
    assert bench.person.tagged("MOVED")[0].says == "the controller says X is at -2.00 mm"


@pytest.mark.parametrize(
    ("error", "ended_as", "status"),
    [
        (PortLost("the port went away"), "port-lost", 1),
        (NoAnswer("no answer"), "failed", 1),
        (ControllerRestarted("it restarted"), "failed", 1),
        (LineRefused("refused"), "failed", 1),
        (Stopped("stopped at your word"), "stopped", 3),
    ],
    ids=lambda value: type(value).__name__,
)
def test_a_move_that_fails_leaves_no_position(
    bench: Bench, error: BaseException, ended_as: str, status: int
) -> None:
    bench.controller.fails["move"] = error
    outcome = bench.run(["go"], GREETING, DECLARED, MOVE)
    assert outcome == Outcome(ended_as, status, None)
    assert bench.gate.position_mm("x") is None
    lost = [step for step in bench.logbook.steps(HEAD.id) if step.phase == "lost"]
    assert [(step.key, step.body) for step in lost] == [("x.near.1", "x")]
    assert bench.done()[-2:] == ["heaters_off", "close"]
    assert any(line.says == str(error) for line in bench.person.lines)
    # Lost on the way of the very first move: it may stand anywhere all the same.
    assert "position of every axis counts as unknown" in bench.person.lines[-2].says
    assert bench.logbook.ending(HEAD.id) == (ended_as, None)


@pytest.mark.parametrize(
    ("message", "before", "error"),
    [
        (MOVE, [], PositionUnknown),
        (replace(MOVE, to_mm=101.0), [DECLARED], OutsideEnvelope),
    ],
)
def test_what_the_gate_refuses_is_never_shown(
    bench: Bench, message: Message, before: list[Message], error: type[Exception]
) -> None:
    outcome = bench.run([], GREETING, *before, message)
    assert outcome.exit_status == 1
    assert outcome.ended_as == ("position-unknown" if error is PositionUnknown else "failed")
    assert not {"CAUTION", "MOVE", "CONFIRM"} & set(bench.person.tags)
    assert "move" not in bench.seen


def test_a_declared_place_counts_until_the_conversation_is_out_of_step(bench: Bench) -> None:
    learned = Decided(key="x.limits", value=replace(LIMITS, at_mm=None))

    def plan() -> Plan:
        yield GREETING
        yield learned
        assert bench.controller.position_unknown
        yield DECLARED
        assert not bench.controller.position_unknown
        bench.controller.position_unknown = True
        yield MOVE
        return None

    outcome = bench.engine([]).run(plan)
    assert outcome == Outcome("position-unknown", 1, None)
    assert "move" not in bench.seen
    assert "CAUTION" not in bench.person.tags


HOT = (Heater("B", 61.0, 60.0),)


def test_too_hot_ends_before_the_caution(bench: Bench) -> None:
    bench.controller.heaters = reports(COLD, HOT)
    outcome = bench.run([], GREETING, DECLARED, MOVE)
    assert outcome.exit_status == 1
    assert "CAUTION" not in bench.person.tags


def test_what_was_heated_before_the_go_does_not_move(bench: Bench) -> None:
    """A person may think for an hour; somebody else may have heated meanwhile."""
    bench.controller.heaters = reports(COLD, COLD, HOT)
    outcome = bench.run(["go"], GREETING, DECLARED, MOVE)
    assert outcome == Outcome("failed", 1, None)
    assert bench.person.left == []
    assert "move" not in bench.seen
    assert "position of every axis" not in bench.person.lines[-2].says


@pytest.mark.parametrize("error", [PositionUnknown("it is elsewhere"), NoAnswer("no answer")])
def test_a_move_that_ended_elsewhere_has_not_arrived(bench: Bench, error: Exception) -> None:
    bench.controller.fails["check_arrival"] = error
    outcome = bench.run(["go"], GREETING, DECLARED, MOVE)
    assert outcome.exit_status == 1
    assert "MOVED" not in bench.person.tags
    assert bench.gate.position_mm("x") is None
    lost = [step.key for step in bench.logbook.steps(HEAD.id) if step.phase == "lost"]
    assert lost == ["x.near.1"]
    assert "position of every axis counts as unknown" in bench.person.lines[-2].says


# --- ways out -----------------------------------------------------------------------------

ANY_QUESTION: list[Message] = [
    Confirm(key="k"), Choose(key="k", options=("a",)), Text(key="k"), READING, MOVE,
]  # fmt: skip


@pytest.mark.parametrize("message", ANY_QUESTION, ids=lambda one: type(one).__name__)
def test_stop_at_any_question(bench: Bench, message: Message) -> None:
    outcome = bench.run(["70", "stop"], GREETING, DECLARED, READING, message)
    assert outcome == Outcome("stopped", 3, None)
    assert bench.done()[-2:] == ["heaters_off", "close"]
    assert [line.key for line in bench.person.tagged("NOTE")] == [
        "heaters", "stopped", "where-things-stand", "go-on",
    ]  # fmt: skip
    last = bench.person.lines[-2]
    assert "1 reading of this session is in the logbook as s-1" in last.says
    assert "Nothing was changed" in last.says
    assert "may still run on" not in last.says
    assert len(last.plain()) <= 400
    assert bench.logbook.ending(HEAD.id) == ("stopped", None)
    assert bench.gate.position_mm("x") is None


def test_stop_after_a_move_says_that_the_position_is_unknown(bench: Bench) -> None:
    bench.run(["go", "stop"], GREETING, DECLARED, MOVE, READING)
    last = bench.person.lines[-2]
    assert "position of every axis counts as unknown" in last.says
    assert len(last.plain()) <= 400


@pytest.mark.parametrize("option", ["", " --home /there"])
def test_the_last_word_is_how_to_go_on(bench: Bench, option: str) -> None:
    engine = bench.engine(["stop"], home_option=option)
    engine.run(lambda: bench.plan(Confirm(key="k")))
    assert bench.person.lines[-1].plain() == (
        f"NOTE go-on | go on when the machine is ready: tuner resume s-1{option}"
    )


def test_stop_before_there_is_a_machine(bench: Bench) -> None:
    outcome = bench.run(["stop"], Confirm(key="k"))
    assert outcome == Outcome("stopped", 3, None)
    assert bench.done() == []


def test_the_stop_key_reaches_the_controller_from_anywhere(bench: Bench) -> None:
    engine = bench.engine([])

    def plan() -> Plan:
        yield GREETING
        engine.stop()
        bench.controller.fails["temperatures"] = NoAnswer("it halted")
        yield Observe(key="temperatures", what="temperatures")
        return None

    outcome = engine.run(plan)
    assert outcome == Outcome("stopped", 3, None)
    assert bench.done()[2:5] == ["temperatures", "stop", "temperatures"]
    assert bench.done()[-2:] == ["heaters_off", "close"]
    assert bench.person.tagged("NOTE")[1].says == "stopped at your word (it halted)"


def test_a_stop_while_the_port_opens(bench: Bench) -> None:
    engine = bench.engine([])
    engine.stop()
    assert engine.run(lambda: bench.plan(GREETING)).exit_status == 3
    assert bench.done() == ["connect", "heaters_off", "close"]


@pytest.mark.parametrize("where", ["leaving", "telling", "last words"])
def test_a_stop_is_seen_after_every_answer(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    engine = bench.engine([])
    heaters_off, tell = bench.controller.heaters_off, bench.person.tell

    def stopped_while_leaving() -> HeatersLeft:
        engine.stop()
        return heaters_off()

    def stopped_while_telling(line: Line) -> None:
        tell(line)
        if line.key == where:
            engine.stop()

    if where == "leaving":
        monkeypatch.setattr(bench.controller, "heaters_off", stopped_while_leaving)
    monkeypatch.setattr(bench.person, "tell", stopped_while_telling)
    said = [Say(key="telling"), LEAVING, Say(key="looking"), Say(key="last words")]
    outcome = engine.run(lambda: bench.plan(GREETING, *said))
    assert outcome == Outcome("stopped", 3, None)
    assert bench.logbook.ending(HEAD.id) == ("stopped", None)
    keys = [line.key for line in bench.person.lines]
    after = keys[keys.index("heaters" if where == "leaving" else where) + 1 :]
    assert after == [
        *(["heaters"] if where == "telling" else []),
        "stopped",
        "where-things-stand",
        "go-on",
    ]
    assert bench.done().count("heaters_off") == 1
    # While it is being left, a stop still reaches the machine.
    assert bench.done().count("stop") == (0 if where == "last words" else 1)


def test_a_stop_that_could_not_be_sent_is_said(bench: Bench) -> None:
    engine = bench.engine([])
    bench.controller.fails["stop"] = PortLost("the port went away")
    failed: list[Line] = []
    stopping = StopRequest(
        engine.stop, lambda: None, lambda error: failed.append(stop_failed(error))
    )

    def plan() -> Plan:
        yield GREETING
        with pytest.raises(PortLost):
            engine.stop()
        stopping()
        yield Say(key="on")
        raise AssertionError("it went on after a stop")

    assert engine.run(plan) == Outcome("stopped", 3, None)
    (line,) = failed
    assert (line.tag, line.key) == ("CAUTION", "stop.failed")
    assert "The stop could not be sent" in line.says
    assert "(the port went away)" in line.says


@pytest.mark.parametrize("error", [PortLost("gone"), NoAnswer("silent"), RuntimeError("a bug")])
@pytest.mark.parametrize("way", ["end", "stop", "leaving", "defect"])
def test_heaters_that_cannot_be_switched_off_are_said_to_be_on(
    bench: Bench, error: Exception, way: str
) -> None:
    bench.controller.fails["heaters_off"] = error

    def plan() -> Plan:
        yield GREETING
        if way == "stop":
            yield Confirm(key="k")
        if way == "leaving":
            assert (yield LEAVING) == Value(False)
        if way == "defect":
            raise ZeroDivisionError

    engine = bench.engine(["stop"])
    if way == "defect":
        with pytest.raises(ZeroDivisionError):
            engine.run(plan)
    else:
        # All heaters were seen cold, so a stop stays a stop.
        assert engine.run(plan).exit_status == (3 if way == "stop" else 1)
    (note,) = [line for line in bench.person.tagged("NOTE") if line.key == "heaters"]
    assert note.says == (
        f"the heaters are not confirmed off ({error}); switch the machine off at the mains"
    )
    assert bench.done()[-1] == "close"


@pytest.mark.parametrize("at", ["connect", "open", "temperatures", "position"])
def test_a_lost_port_is_left_as_well_as_can_be(bench: Bench, at: str) -> None:
    error: Exception = PortUnavailable("no") if at == "connect" else PortLost("went away")
    bench.controller.fails[at] = error
    observe = [Observe(key=one, what=one) for one in ("temperatures", "position")]
    outcome = bench.run([], GREETING, *observe)  # type: ignore[arg-type]
    assert outcome.exit_status == 1
    assert outcome.ended_as == ("failed" if at == "connect" else "port-lost")
    assert ("heaters_off" in bench.seen) == (at != "connect")
    assert str(error) in [line.says for line in bench.person.lines]


def reports(*heaters: Heaters) -> Callable[[float, list[str]], Heaters]:
    """Report these one after the other, and then the last of them for ever."""
    left = list(heaters)
    return lambda now_s, heated: left.pop(0) if len(left) > 1 else left[0]


@pytest.mark.parametrize(
    ("later", "status"),
    [
        (COLD, 3),
        ((Heater("T", 50.0, 0.0),), 3),
        (None, 1),
        ((Heater("T", 50.1, 0.0),), 1),
        ((Heater("T", 20.0, 200.0),), 1),
    ],
)
def test_a_stop_with_heaters_that_may_be_hot_is_a_failure(
    bench: Bench, later: Heaters, status: int
) -> None:
    bench.controller.left, bench.controller.heaters = UNCONFIRMED, reports(COLD, later)
    ask = Observe(key="temperatures", what="temperatures")
    assert bench.run(["stop"], GREETING, ask, Confirm(key="k")).exit_status == status
    assert bench.person.tagged("NOTE")[0].says == UNCONFIRMED.says


def test_a_stop_before_the_heaters_were_read_leaves_them_in_doubt(bench: Bench) -> None:
    bench.controller.left = UNCONFIRMED
    bench.controller.fails["open"] = Stopped("stopped at your word")
    assert bench.run([], GREETING) == Outcome("stopped", 1, None)


@pytest.mark.parametrize("hot", [(Heater("T", 50.1, 0.0),), (Heater("B", 20.0, 60.0),)])
def test_a_machine_that_is_hot_when_it_is_met_is_left_at_once(bench: Bench, hot: Heaters) -> None:
    bench.controller.heaters = hot
    assert bench.run([], GREETING, Confirm(key="k")) == Outcome("failed", 1, None)
    assert bench.done() == ["connect", "open", "temperatures", "heaters_off", "close"]


@pytest.mark.parametrize("leaving", [[], [LEAVING], [LEAVING, Say(key="looking")]])
def test_a_session_that_ends_with_heaters_unconfirmed_has_failed(
    bench: Bench, leaving: list[Message]
) -> None:
    bench.controller.left = UNCONFIRMED
    outcome = bench.run([], GREETING, *leaving)
    assert (outcome.ended_as, outcome.exit_status) == ("finished", 1)
    assert bench.done().count("heaters_off") == 1
    if leaving:
        assert bench.heard[1] == Value(False)


def test_a_stop_after_leaving_remembers_the_heaters(bench: Bench) -> None:
    bench.controller.left, bench.controller.heaters = UNCONFIRMED, None
    outcome = bench.run(["stop"], GREETING, LEAVING, Confirm(key="x.look"))
    assert (outcome.ended_as, outcome.exit_status) == ("stopped", 1)


@pytest.mark.parametrize("error", [RuntimeError("a bug"), KeyboardInterrupt()], ids=repr)
def test_a_bug_in_a_plan_leaves_the_machine_cold(bench: Bench, error: BaseException) -> None:
    def plan() -> Plan:
        yield GREETING
        yield DECLARED
        raise error

    with pytest.raises(type(error)):
        bench.engine([]).run(plan)
    assert bench.done()[-2:] == ["heaters_off", "close"]
    assert bench.gate.position_mm("x") is None
    assert bench.logbook.ending(HEAD.id) == ("defect", None)


def test_a_plan_may_tidy_up_when_it_is_stopped(bench: Bench) -> None:
    tidied = []

    def plan() -> Plan:
        try:
            yield Confirm(key="k")
        finally:
            tidied.append(True)
        return None

    kept = plan()  # so that nothing but the engine closes it
    bench.engine(["stop"]).run(lambda: kept)
    assert tidied == [True]


def full_disk(*_: object) -> None:
    raise BenchFault("the disk is full")


@pytest.mark.parametrize("where", ["sent", "shown", "event"])
def test_a_full_disk_keeps_no_warning_from_the_person(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    bench.controller.left = UNCONFIRMED
    if where == "sent":
        bench.controller.fails["move"] = BenchFault("the disk is full")
    if where == "event":
        bench.controller.fails["close"] = BenchFault("the disk is full")
    engine = bench.engine(["go", "stop"])
    if where == "shown":
        monkeypatch.setattr(bench.transcript, "shown", full_disk)
    outcome = engine.run(lambda: bench.plan(GREETING, DECLARED, MOVE, Confirm(key="k")))
    assert "heaters_off" in bench.seen
    assert ("move" in bench.seen) == (where != "shown")
    keys = [line.key for line in bench.person.tagged("NOTE")]
    assert keys == [
        "heaters",
        "stopped" if where == "event" else "failed",
        "where-things-stand",
        "go-on",
    ]
    assert outcome.exit_status == (3 if where == "event" else 1)


def test_nothing_moves_when_the_caution_cannot_be_written_down(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = bench.log.step

    def step(phase: str, kind: str, key: str, body: Any = None) -> None:
        if phase == "caution":
            full_disk()
        write(phase, kind, key, body)

    monkeypatch.setattr(bench.log, "step", step)
    outcome = bench.run([], GREETING, DECLARED, MOVE)
    assert outcome.exit_status == 1
    assert bench.person.tags[:2] == ["CAUTION", "NOTE"]
    assert "move" not in bench.seen


def test_the_recorded_person_passes_everything_on(bench: Bench) -> None:
    bench.run(["go"], GREETING, DECLARED, MOVE)
    text = bench.transcript.path.read_text(encoding="utf-8")
    for line in bench.person.lines:
        assert f"~ {line.plain()}\n" in text
    assert "~ ANSWER x.near.1 | go\n" in text
    (confirm,) = [line for line in bench.person.lines if line.tag == "CONFIRM"]
    assert dict(confirm.fields)["group"] == "1"


# --- the reported place -------------------------------------------------------------------


def test_a_place_that_is_not_as_sent_ends_the_session_without_a_position(bench: Bench) -> None:
    bench.controller.fails["check_arrival"] = PositionUnknown("Y was to stay")
    outcome = bench.run(["go"], GREETING, DECLARED, MOVE)
    assert outcome == Outcome("position-unknown", 1, None)
    assert bench.gate.position_mm("x") is None
    assert "MOVED" not in bench.person.tags
    assert ("lost", "position") in bench.phases()


# --- what was found is kept ---------------------------------------------------------------


def found(axis: str, verdict: str = "change") -> dict[str, Any]:
    return {"axis": axis, "verdict": verdict, "readings": []}


def draft(axis: str, verdict: str = "change") -> Propose:
    return Propose(key=f"{axis}.proposal", axis=axis, draft=True, finding=found(axis, verdict))


def final(axis: str, verdict: str = "change") -> Propose:
    return replace(draft(axis, verdict), draft=False)


def test_a_draft_is_kept_and_not_written(bench: Bench) -> None:
    outcome = bench.run([], draft("x"), draft("y"))
    assert bench.heard == [Value(None), Value(None)]
    assert bench.proposals == []
    assert bench.person.lines == []
    assert outcome.ended_as == "finished"


@pytest.mark.parametrize(
    ("error", "ended_as", "status"),
    [
        (Stopped("stopped at your word"), "stopped", 3),
        (PortLost("the port went away"), "port-lost", 1),
        (NoAnswer("no answer"), "failed", 1),
        (PositionUnknown("who knows"), "position-unknown", 1),
        (Unanswered(300.0), "unanswered", 1),
        (RuntimeError("a bug"), "defect", None),
        (KeyboardInterrupt(), "defect", None),
    ],
    ids=lambda value: type(value).__name__,
)
def test_drafts_are_written_when_the_session_ends_early(
    bench: Bench, error: BaseException, ended_as: str, status: int | None
) -> None:
    bench.controller.fails["position"] = error
    before = [draft("x", "keep"), draft("y"), draft("x"), draft("z"), final("z")]
    position = Observe(key="position", what="position")
    if status is None:
        with pytest.raises(type(error)):
            bench.run([], GREETING, *before, position)
    else:
        outcome = bench.run([], GREETING, *before, position)
        assert outcome == Outcome(ended_as, status, None)
    # z is written once, as its proposal; x as it was found last.
    assert bench.proposals == [("z", found("z")), ("y", found("y")), ("x", found("x"))]
    assert [line.key for line in bench.person.tagged("PROPOSAL")] == ["z", "y", "x"]
    keys = [line.key for line in bench.person.lines]
    assert keys.index("heaters") < keys.index("y")
    assert bench.logbook.ending(HEAD.id) == (ended_as, None)


def test_a_draft_that_cannot_be_written_keeps_no_other_from_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    engine = bench.engine(["stop"])
    write = engine._file_proposal

    def x_fails(axis: str, finding: dict[str, Any]) -> tuple[str, str]:
        if axis == "x":
            full_disk()
        return write(axis, finding)

    monkeypatch.setattr(engine, "_file_proposal", x_fails)
    outcome = engine.run(lambda: bench.plan(draft("x"), draft("y"), Confirm(key="k")))
    assert outcome == Outcome("stopped", 3, None)
    assert [axis for axis, _ in bench.proposals] == ["y"]
    (note,) = [line for line in bench.person.tagged("NOTE") if line.key == "not-written"]
    assert note.says == "the disk is full"
    assert bench.logbook.ending(HEAD.id) == ("stopped", None)


def test_a_reading_comes_with_the_time_it_was_taken_and_the_record_has_it(bench: Bench) -> None:
    def answers(question: Question) -> str:
        bench.clock.at_s += 10.04
        return "undo" if bench.clock.at_s == pytest.approx(1020.08) else "70"

    bench.run(answers, *(replace(READING, n=n) for n in (1, 2, 1, 2)))
    assert bench.heard == [Value(70.0, 1010.0), Undo(), Value(70.0, 1030.1), Value(70.0, 1040.2)]
    bodies = [step.body for step in bench.logbook.steps(HEAD.id) if step.phase == "reply"]
    assert [body and body["at_s"] for body in bodies] == [1010.0, None, 1030.1, 1040.2]


# --- taken up again -----------------------------------------------------------------------


def taken_up(bench: Bench, at_s: float) -> list[Step]:
    """Take the session up in a process whose clock stands at `at_s`; return what is recorded."""
    bench.transcript.close()
    bench.transcript = Transcript(bench.file.with_name("wire-run2.txt"), bench.clock)
    bench.seen.clear()
    bench.clock.at_s = at_s
    bench.log = bench.logbook.take_up(HEAD.id, bench.clock)
    return bench.logbook.steps(HEAD.id)


def going_on(bench: Bench, *messages: Message) -> Plan:
    """Say `messages` one after the other, and the one that was cut off once more."""
    bench.heard = []
    for message in messages:
        while True:
            try:
                bench.heard.append((yield message))
            except Interrupted:
                yield Say(key="again")
                continue
            break
    return {"heard": len(bench.heard)}


def test_the_step_at_which_it_was_cut_off_is_said_again(bench: Bench) -> None:
    steps = [Checkpoint(key=f"c{n}", step=n, of=3, says=f"Part {n}") for n in (1, 2, 3)]
    asked = replace(READING, n=1)
    bench.run(["stop"], *steps[:2], asked, steps[2])
    recorded = taken_up(bench, 2000.0)
    bench.engine(["72"]).run(lambda: going_on(bench, *steps[:2], asked, steps[2]), recorded)
    said = [line.plain() for line in bench.person.lines if line.tag != "READING"]
    assert [one.split(" ")[1] for one in said] == ["taken-up", "c2", "again", "c3"]
    assert said[1] == "STEP c2 step=2 of=3 | Part 2"


def test_what_was_answered_is_not_asked_again(bench: Bench) -> None:
    asked = [replace(READING, n=n) for n in (1, 2, 3)]
    bench.run(["70", "71", "stop"], *asked)
    recorded = taken_up(bench, 2000.0)
    outcome = bench.engine(["72"]).run(lambda: going_on(bench, *asked), recorded)
    assert outcome == Outcome("finished", 0, {"heard": 3})
    assert bench.heard == [Value(70.0, 1000.0), Value(71.0, 1000.0), Value(72.0, 2000.0)]
    assert [line.tag for line in bench.person.lines] == ["NOTE", "NOTE", "READING"]
    assert bench.person.lines[0].plain() == (
        "NOTE taken-up | session s-1 was stopped and goes on now, with the card and the dialect "
        "as they were then; 2 readings are kept"
    )
    new = bench.logbook.steps(HEAD.id)[len(recorded) :]
    assert [(step.phase, step.kind, step.key) for step in new] == [
        ("lost", "interrupted", "x.near.1"),
        ("intent", "Say", "again"), ("reply", "Value", "again"),
        ("intent", "Ask", "x.near.1"), ("reply", "Value", "x.near.1"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("at_s", "taken_s"), [(0.0, 1010.0), (5.0, 1010.0), (1010.0, 1010.0), (1e5, 1e5)]
)
def test_the_times_of_readings_only_grow(bench: Bench, at_s: float, taken_s: float) -> None:
    """The clock of another process may start anywhere."""

    def answers(question: Question) -> str:
        bench.clock.at_s += 10.0
        return "stop" if bench.clock.at_s > 1010.0 else "70"

    asked = [READING, replace(READING, n=0, expected_mm=None), READING]
    bench.run(answers, *asked[:1], Confirm(key="k"))
    recorded = [step for step in taken_up(bench, at_s) if step.key == READING.key]
    bench.engine(["0", "70"]).run(lambda: going_on(bench, *asked), recorded)
    assert bench.heard == [Value(70.0, 1010.0), Value(0.0), Value(70.0, taken_s)]


def test_an_old_record_says_no_time(bench: Bench) -> None:
    asked = [READING, Confirm(key="k"), replace(READING, n=4)]
    bench.run(["70", "stop"], *asked)
    untimed = [
        replace(step, body={"value": 70.0}) if step.phase == "reply" else step
        for step in taken_up(bench, 0.0)
    ]
    bench.engine(["yes", "70"]).run(lambda: going_on(bench, *asked), untimed)
    assert bench.heard == [Value(70.0), Value(True), Value(70.0, 0.0)]


def test_what_only_asks_speaks_of_no_machine(bench: Bench) -> None:
    asked = [Text(key="k"), Text(key="l")]
    engine = bench.engine(["A-1", "stop"], has_machine=False)
    engine.run(lambda: bench.plan(*asked))
    stopped = [line.plain() for line in bench.person.lines[-2:]]
    assert stopped == [
        "NOTE where-things-stand | what was answered so far is kept as s-1",
        "NOTE go-on | go on with: tuner resume s-1",
    ]
    recorded = taken_up(bench, 0.0)
    bench.engine(["B"], has_machine=False).run(lambda: going_on(bench, *asked), recorded)
    assert bench.person.lines[0].says == "session s-1 was stopped and goes on now"


def test_one_that_was_killed_was_cut_off(bench: Bench) -> None:
    bench.log.step("intent", "Text", "k", fingerprint(Text(key="k")))
    bench.log.close()
    recorded = taken_up(bench, 0.0)
    bench.engine(["B"]).run(lambda: going_on(bench, Text(key="k")), recorded)
    assert "s-1 was cut off and goes on now" in bench.person.lines[0].says


@pytest.mark.parametrize(
    ("said", "answers", "left", "expected"),
    [
        ([MOVE], ["go"], ALL_OFF, (True, False)),
        ([MOVE], ["stop"], ALL_OFF, (False, False)),
        ([MOVE, Confirm(key="k")], ["go", "stop"], ALL_OFF, (False, False)),
        ([Confirm(key="k")], ["stop"], HeatersLeft(False, "not off"), (False, True)),
        ([MOVE], ["go"], HeatersLeft(False, "not off"), (True, True)),
    ],
)
def test_the_plan_hears_how_the_machine_was_left(
    bench: Bench,
    said: list[Message],
    answers: list[str],
    left: HeatersLeft,
    expected: tuple[bool, bool],
) -> None:
    bench.controller.left = left
    if "stop" not in answers:
        bench.controller.fails["move"] = PortLost("it went away")
    bench.run(answers, GREETING, DECLARED, *said)
    recorded = taken_up(bench, 0.0)
    heard: list[tuple[bool, bool]] = []

    def plan() -> Plan:
        try:
            yield from going_off([GREETING, DECLARED, *said])
        except Interrupted as cut:
            heard.append((cut.in_a_move, cut.heaters_on))
        return None

    bench.engine([]).run(plan, recorded)
    replay(plan(), bench.logbook.steps(HEAD.id))
    assert heard == [expected, expected]


def test_what_was_heated_by_one_that_was_killed_may_be_on(bench: Bench) -> None:
    def left(*kinds: tuple[str, str, Any]) -> dict[str, bool]:
        steps = [
            Step(n, 0.0, phase, kind, "k", body) for n, (phase, kind, body) in enumerate(kinds)
        ]
        return as_it_was_left(steps)

    heated = ("intent", "Heat", {}), ("reply", "Value", {"value": 210.0})
    assert left(*heated) == {"in_a_move": False, "heaters_on": True}
    assert left(*heated, ("note", "heaters-left", True))["heaters_on"] is False


def test_a_zero_check_is_no_reading_that_is_kept(bench: Bench) -> None:
    asked = [replace(READING, n=0, expected_mm=None), READING, READING, Confirm(key="k")]
    bench.run(["0", "70", "undo", "stop"], *asked)
    recorded = taken_up(bench, 0.0)
    bench.engine(["yes"]).run(lambda: going_on(bench, *asked), recorded)
    assert "; 0 readings are kept" in bench.person.lines[0].says


@pytest.mark.parametrize(
    ("message", "answers", "has_moved"),
    [
        (MOVE, ["go", "stop"], True),
        (Reference(key="x.reference", axis="x", position_mm=0.0), ["go", "stop"], True),
        (MOVE, ["stop"], True),  # cut off while it was asked: perhaps it had gone already
        (Say(key="x"), ["stop"], False),
    ],
    ids=["move", "search", "consent", "none"],
)
def test_what_moved_before_the_interruption_may_stand_anywhere(
    bench: Bench, message: Message, answers: list[str], has_moved: bool
) -> None:
    said = [GREETING, DECLARED, message, Confirm(key="k")]
    bench.run(answers, *said)
    recorded = taken_up(bench, 0.0)
    left_out = [Say(key="instead"), Confirm(key="k")]

    def plan() -> Plan:
        try:
            yield from going_off(said)
        except Interrupted:
            yield from going_off(left_out)
        return None

    outcome = bench.engine(["stop"]).run(plan, recorded)
    assert outcome == Outcome("stopped", 3, None)
    assert "move" not in bench.seen
    assert ("position of every axis" in bench.person.lines[-2].says) == has_moved


def going_off(messages: Sequence[Message]) -> Plan:
    for message in messages:  # noqa: UP028  (the replies go to nobody)
        yield message
    return None


def test_a_record_brings_no_place_and_no_limit_to_the_gate(bench: Bench) -> None:
    said = [GREETING, DECLARED, MOVE]
    bench.run(["go", "stop"], *said, Confirm(key="k"))
    recorded = taken_up(bench, 0.0)

    def plan() -> Plan:
        with pytest.raises(Interrupted):
            yield from going_off([*said, Confirm(key="k")])
        yield GREETING
        yield MOVE
        return None

    outcome = bench.engine([]).run(plan, recorded)
    assert outcome == Outcome("position-unknown", 1, None)
    assert "CAUTION" not in bench.person.tags
    assert "move" not in bench.seen


@pytest.mark.parametrize("last", [draft("x", "keep"), final("x", "keep")], ids=["draft", "final"])
def test_a_draft_of_the_record_is_written_when_it_ends_early(bench: Bench, last: Propose) -> None:
    said = [draft("x"), draft("y"), last, Confirm(key="k")]
    bench.run(["stop"], *said)
    recorded = taken_up(bench, 0.0)
    bench.proposals.clear()
    bench.engine(["stop"]).run(lambda: going_on(bench, *said), recorded)
    of_x = [("x", found("x", "keep"))] if last.draft else []
    assert bench.proposals == [("y", found("y")), *of_x]


def test_a_record_that_holds_the_end_of_the_plan_only_lacks_the_word_for_it(bench: Bench) -> None:
    said = [Say(key="a"), Say(key="b")]
    bench.run([], *said)
    recorded = taken_up(bench, 0.0)
    outcome = bench.engine([]).run(lambda: going_on(bench, *said), recorded)
    assert outcome == Outcome("finished", 0, {"heard": 2})
    assert bench.person.lines == []
    assert bench.logbook.ending(HEAD.id) == ("finished", {"heard": 2})


# --- heat ---------------------------------------------------------------------------------

NOZZLE = Heat(key="e.heat", heater="nozzle", target_c=200)
COOL = Heat(key="e.cool", heater="nozzle", target_c=0)
ASKED = Choose(key="e.goes", options=("yes", "no"))


def warming(now_s: float, heated: list[str]) -> Heaters:
    """Two degrees a second from 1000 s on, up to 200, once it was heated."""
    if not heated:
        return COLD
    return (Heater("T", min(200.0, 21.0 + 2.0 * (now_s - 1000.0)), 200.0), COLD[1])


@pytest.fixture
def feeder(bench: Bench) -> Bench:
    bench.gate = Gate(card(CARD_TEXT + FEEDER_TEXT).axes, dialect(), bench.clock)
    bench.controller.heaters = warming
    return bench


def test_heat_goes_through_the_gate_and_is_waited_for(feeder: Bench) -> None:
    outcome = feeder.run(["go"], GREETING, NOZZLE)
    assert outcome == Outcome("finished", 0, {"heard": 2})
    assert feeder.heard[-1] == Value(197.0)
    assert feeder.clock.at_s == 1088.0
    assert feeder.controller.heated == ["M104 S200"]
    assert feeder.person.tags[:4] == ["CAUTION", "HEAT", "discard", "CONFIRM"]
    progress = [line for line in feeder.person.tagged("NOTE") if line.key == "heating"]
    assert [line.says for line in progress[:2]] == [
        "nozzle at 21 °C, on its way to 200 °C", "nozzle at 41 °C, on its way to 200 °C",
    ]  # fmt: skip
    assert progress[0].fields == (("heater", "nozzle"), ("now_c", "21"))
    assert len(progress) == 9
    assert feeder.person.tagged("HEATED")[0].plain() == (
        "HEATED e.heat heater=nozzle now_c=197.0 | nozzle is at 197 °C"
    )
    assert feeder.done()[-2:] == ["heaters_off", "close"]
    assert [step.phase for step in feeder.logbook.steps(HEAD.id) if step.key == "e.heat"] == [
        "intent", "caution", "consent", "reply",
    ]  # fmt: skip


def test_cooling_needs_no_consent_and_ends_the_patience(feeder: Bench) -> None:
    feeder.run(["go", "yes", "yes"], GREETING, NOZZLE, ASKED, COOL, replace(ASKED, key="e.then"))
    asked = [one for one in feeder.seen if isinstance(one, Question)]
    assert [one.patience_s for one in asked] == [None, 300.0, 300.0]
    assert feeder.heard[3] == Value(None)
    assert feeder.done().count("heaters_off") == 2
    assert [line.says for line in feeder.person.tagged("NOTE") if line.key == "e.cool"] == [
        "every heater reports that it is off"
    ]


def test_what_was_left_is_not_looked_at_any_more(feeder: Bench) -> None:
    outcome = feeder.run(["go"], GREETING, NOZZLE, LEAVING, Say(key="e.looks"))
    assert outcome == Outcome("finished", 0, {"heard": 4})
    assert feeder.done()[-2:] == ["heaters_off", "close"]


def test_what_cannot_be_cooled_ends_the_session(feeder: Bench) -> None:
    feeder.controller.left = UNCONFIRMED
    outcome = feeder.run([], GREETING, COOL)
    assert outcome == Outcome("failed", 1, None)


@pytest.mark.parametrize(
    ("error", "messages", "answers"),
    [
        (HeatRefused, [GREETING, replace(NOZZLE, target_c=241)], []),
        (HeatRefused, [GREETING, DECLARED, NOZZLE], []),
        (TooHot, [GREETING, NOZZLE, DECLARED, MOVE], ["go"]),
        (Stopped, [GREETING, NOZZLE], ["stop"]),
    ],
)
def test_heat_where_it_may_not_be(
    feeder: Bench, error: type[Exception], messages: list[Message], answers: list[str]
) -> None:
    outcome = feeder.run(answers, *messages)
    assert outcome.exit_status == (3 if error is Stopped else 1)
    assert "move" not in feeder.seen
    assert feeder.done()[-2:] == ["heaters_off", "close"]


def test_a_heater_that_warms_nothing_is_switched_off(feeder: Bench) -> None:
    feeder.controller.heaters = COLD
    outcome = feeder.run(["go"], GREETING, NOZZLE)
    assert outcome == Outcome("failed", 1, None)
    assert 1060.0 <= feeder.clock.at_s <= 1064.0
    assert feeder.done()[-2:] == ["heaters_off", "close"]
    assert "came less than 2 nearer" in feeder.person.tagged("NOTE")[-3].says


@pytest.mark.parametrize("later", [(), (Heater("B", 21.0, 0.0),), (Heater("T", -40.0, 200.0),)])
@pytest.mark.parametrize("at_s", [1010.0, 5000.0])
def test_a_sensor_that_fails_on_the_way_or_later_switches_off(
    feeder: Bench, later: Heaters, at_s: float
) -> None:
    def report(now_s: float, heated: list[str]) -> Heaters:
        return warming(now_s, heated) if now_s < at_s else later

    def answers(question: Question) -> str:
        if question.line.tag == "CONFIRM":
            return "go"
        feeder.clock.at_s += 5000.0
        return "yes"

    feeder.controller.heaters = report
    outcome = feeder.run(answers, GREETING, NOZZLE, ASKED, replace(ASKED, key="e.then"))
    assert outcome == Outcome("failed", 1, None)
    assert feeder.done()[-2:] == ["heaters_off", "close"]


@pytest.mark.parametrize("heated_by", ["us", "somebody"])
def test_nobody_answers_and_the_heaters_go_off(feeder: Bench, heated_by: str) -> None:
    def answers(question: Question) -> str:
        if question.line.tag == "CONFIRM":
            return "go"
        assert question.patience_s == 300.0
        feeder.clock.at_s += question.patience_s
        raise Unanswered(question.patience_s)

    if heated_by == "somebody":
        feeder.controller.heaters = reports(COLD, (Heater("T", 60.0, 60.0),))
    before = NOZZLE if heated_by == "us" else Observe(key="temperatures", what="temperatures")
    outcome = feeder.run(answers, GREETING, before, ASKED)
    assert outcome == Outcome("unanswered", 1, None)
    assert feeder.done()[-2:] == ["heaters_off", "close"]
    assert any("nobody answered for 5 minutes" in line.says for line in feeder.person.lines)


@pytest.mark.parametrize("where", ["heat", "listen"])
@pytest.mark.parametrize("error", [PortLost("gone"), NoAnswer("no answer"), Stopped("stopped")])
def test_every_way_out_of_heating_switches_off(feeder: Bench, where: str, error: Exception) -> None:
    feeder.controller.fails[where] = error
    outcome = feeder.run(["go"], GREETING, NOZZLE)
    assert outcome.exit_status == (3 if isinstance(error, Stopped) else 1)
    assert feeder.done()[-2:] == ["heaters_off", "close"]


@pytest.mark.parametrize(
    ("messages", "answers", "error"),
    [
        ([NOZZLE, ASKED], ["go", "stop"], None),
        ([NOZZLE, ASKED], ["go", "yes"], None),
        ([NOZZLE, COOL, ASKED], ["go", "stop"], None),
        ([NOZZLE, LEAVING], ["go"], None),
        ([NOZZLE, ASKED], ["go"], RuntimeError("a bug")),
    ],
)
def test_after_heating_every_way_out_says_that_it_stays_hot(
    feeder: Bench, messages: list[Message], answers: list[str], error: Exception | None
) -> None:
    left = list(answers)

    def answer(_: Question) -> str:
        if not left and error:
            raise error
        return left.pop(0)

    engine = feeder.engine(answer)
    with nullcontext() if error is None else pytest.raises(type(error)):
        engine.run(lambda: feeder.plan(GREETING, *messages))
    said = [(line.key, line.says) for line in feeder.person.tagged("NOTE")]
    hot = ("still-hot", "the nozzle was at 197 °C and stays hot for minutes: do not touch it")
    assert said.count(hot) == 1
    assert said[said.index(hot) - 1][0] == "heaters"


def test_a_port_lost_while_heating_leaves_a_nozzle_that_may_be_hot(feeder: Bench) -> None:
    feeder.controller.fails["heat"] = PortLost("gone")
    feeder.run(["go"], GREETING, NOZZLE)
    (hot,) = [line.says for line in feeder.person.tagged("NOTE") if line.key == "still-hot"]
    assert hot == "the nozzle was to be at 200 °C: do not touch it"


def test_a_cold_machine_is_not_said_to_be_hot(bench: Bench) -> None:
    bench.run(["stop"], GREETING, Confirm(key="k"))
    assert "still-hot" not in [line.key for line in bench.person.lines]


@pytest.mark.parametrize(
    ("answers", "words", "kept"),
    [
        (["70", "70", "stop"], "2 readings of this session are in the logbook", "2 readings are"),
        (["70", "undo", "stop"], "0 readings of this session are in the logbook", "0 readings are"),
        (["70", "70", "undo", "stop"], "1 reading of this session is in", "1 reading is kept"),
    ],
)
def test_a_reading_taken_back_is_not_counted(
    bench: Bench, answers: list[str], words: str, kept: str
) -> None:
    asked = [READING, READING, READING, Confirm(key="k")][: len(answers)]
    bench.run(answers, *asked)
    assert bench.person.lines[-2].says.startswith(words)
    recorded = taken_up(bench, 0.0)
    bench.engine(["stop"]).run(lambda: going_on(bench, *asked), recorded)
    assert f"; {kept}" in bench.person.lines[0].says
