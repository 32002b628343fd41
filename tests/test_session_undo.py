"""An answer taken back: the plan never heard it, and the record says the same as the session."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_session_engine import DECLARED, GREETING, LEAVING, LIMITS, MOVE, READING, Bench

from tuner.messages import (
    Again,
    Ask,
    Checkpoint,
    Choose,
    Confirm,
    Decided,
    Interrupted,
    Message,
    Plan,
    Propose,
    Question,
    Say,
    Text,
    Undo,
    Value,
)
from tuner.session.logbook import Step
from tuner.session.replay import TAKEN_BACK, replay, what_counts

NAME = Text(key="name")
FREE = Text(key="free", low_mm=0.0, high_mm=100.0)
CLEAR = Confirm(key="clear")
WHICH = Choose(key="which", options=("one", "two"))


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "logbook.db")
    yield made
    made.transcript.close()
    made.logbook.close()


def asked(bench: Bench) -> list[str]:
    return [one.line.key for one in bench.person.seen if isinstance(one, Question)]


def steps(bench: Bench) -> list[Step]:
    return bench.logbook.steps(bench.log.session)


def test_the_answer_before_is_given_anew(bench: Bench) -> None:
    outcome = bench.run(["5", "undo", "50", "yes"], FREE, CLEAR)
    assert outcome.result == {"heard": 2}
    assert bench.heard == [Value(50.0), Value(True)]
    assert asked(bench) == ["free", "clear", "free", "clear"]
    assert replay(bench.plan(FREE, CLEAR), steps(bench)).result == outcome.result
    assert bench.heard == [Value(50.0), Value(True)]


def test_as_often_as_there_are_answers(bench: Bench) -> None:
    answers = ["5", "yes", "back", "undo", "back", "7", "no", "two"]
    bench.run(answers, FREE, CLEAR, WHICH)
    assert bench.heard == [Value(7.0), Value(False), Value("two")]
    assert asked(bench) == [
        "free", "clear", "which", "clear", "free", "free", "clear", "which",
    ]  # fmt: skip
    (refused,) = [one for one in bench.person.tagged("NOTE") if one.key == "refused"]
    assert "there is no answer since the last move, reading or report to take back" in refused.says


@pytest.mark.parametrize(
    "between",
    [
        Say(key="said"),
        Checkpoint(key="here", step=1, of=2),
        Decided(key="number", value=1.5),
    ],
    ids=lambda one: type(one).__name__,
)
def test_words_in_between_are_said_again(bench: Bench, between: Message) -> None:
    bench.run(["5", "undo", "6", "yes"], FREE, between, CLEAR)
    assert bench.heard[0] == Value(6.0)
    assert asked(bench) == ["free", "clear", "free", "clear"]
    assert len([one for one in steps(bench) if one.key == between.key]) == 4


@pytest.mark.parametrize(
    ("before", "between", "answers"),
    [
        ([], GREETING, []),
        ([], Decided(key="x.limits", value=LIMITS), []),
        ([GREETING, DECLARED], MOVE, ["go"]),
        ([], READING, ["70"]),
        ([GREETING], LEAVING, []),
        ([], Propose(key="x.proposal", axis="x", draft=True), []),
    ],
    ids=lambda one: getattr(one, "key", ""),
)
def test_what_happened_stands(
    bench: Bench, before: Sequence[Message], between: Message, answers: list[str]
) -> None:
    if isinstance(between, Decided):
        before = [GREETING]
    bench.run(["5", *answers, "undo", "yes"], *before, FREE, between, CLEAR)
    assert Value(5.0) in bench.heard
    assert asked(bench).count("free") == 1
    assert not any((one.phase, one.kind) == TAKEN_BACK for one in steps(bench))


ZERO = Ask(key="zero", axis="x", at_mm=0.0, approach="plus", n=0, low_mm=-1.0, high_mm=1.0)


def test_a_look_at_the_closed_jaws_is_an_answer_like_others(bench: Bench) -> None:
    outcome = bench.run(
        ["5", "undo", "6", "again", "0.01", "undo", "0.02", "yes"], FREE, ZERO, CLEAR
    )
    assert outcome.result == {"heard": 3}
    assert bench.heard == [Value(6.0), Value(0.02), Value(True)]
    assert asked(bench) == ["free", "zero", "free", "zero", "zero", "clear", "zero", "clear"]
    assert replay(bench.plan(FREE, ZERO, CLEAR), steps(bench)).result == outcome.result
    assert bench.heard == [Value(6.0), Value(0.02), Value(True)]


def test_the_first_reading_takes_back_the_question_before_it(bench: Bench) -> None:
    first = replace(READING, may_undo=False)
    bench.run(["5", "undo", "6", "70", "undo", "yes"], FREE, first, CLEAR)
    assert bench.heard[0] == Value(6.0)
    assert asked(bench) == ["free", first.key, "free", first.key, "clear", "clear"]
    assert len(bench.logbook.readings(bench.log.session)) == 1


def test_a_reading_that_takes_back_one_of_its_own_is_heard_by_the_plan(bench: Bench) -> None:
    bench.run(["5", "undo"], FREE, replace(READING, may_undo=True))
    assert bench.heard == [Value(5.0), Undo()]
    assert not any((one.phase, one.kind) == TAKEN_BACK for one in steps(bench))


def test_what_can_be_taken_back_is_offered_and_nothing_else(bench: Bench) -> None:
    offered: list[tuple[str, bool]] = []

    def answer(question: Question) -> str:
        offered.append((question.line.key, question.accepts.may_undo))  # type: ignore[union-attr]
        return {"free": "5", "clear": "yes", "which": "one"}[question.line.key]

    bench.run(answer, FREE, CLEAR, GREETING, WHICH)
    assert offered == [("free", False), ("clear", True), ("which", False)]


def test_again_says_the_question_once_more(bench: Bench) -> None:
    bench.run(["again", "5", "again", "again", "one"], FREE, WHICH)
    assert bench.heard == [Value(5.0), Value("one")]
    assert asked(bench) == ["free", "free", "which", "which", "which"]
    assert not bench.person.tagged("NOTE")[:-1]


def test_an_option_of_that_name_is_an_answer(bench: Bench) -> None:
    bench.run(["again"], Choose(key="k", options=("keep", "again")))
    assert bench.heard == [Value("again")]


def test_a_text_is_no_word_that_takes_back(bench: Bench) -> None:
    bench.run(["undo", "Back", "again"], NAME)
    assert bench.heard == [Value("again")]
    refused = [one.says for one in bench.person.tagged("NOTE") if one.key == "refused"]
    assert len(refused) == 2
    assert all("there is no answer" in one for one in refused)


def test_taken_up_after_an_answer_was_taken_back(bench: Bench) -> None:
    bench.run(["5", "undo", "stop"], FREE, CLEAR)
    assert [one.key for one in what_counts(steps(bench)) if one.phase == "intent"] == ["free"]

    def plan() -> Plan:
        try:
            yield FREE
        except Interrupted:
            return str((yield WHICH))
        return "went on"

    bench.log = bench.logbook.take_up(bench.log.session, bench.clock)
    outcome = bench.engine(["undo", "two"]).run(plan, steps(bench))
    assert outcome.result == str(Value("two"))
    assert asked(bench)[3:] == ["which", "which"]  # what was before is not to be taken back
    assert replay(plan(), steps(bench)).result == outcome.result


def test_a_limit_of_what_was_taken_back_never_reaches_the_gate(bench: Bench) -> None:
    """Limits stand between a question and the next one, so they are never of two minds."""
    wide = Decided(key="x.limits", value=LIMITS)
    outcome = bench.run(["5", "undo", "yes", "stop"], GREETING, FREE, wide, CLEAR, MOVE)
    assert outcome.ended_as == "stopped"
    assert asked(bench)[:3] == ["free", "clear", "clear"]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.sampled_from(["5", "7", "undo", "again", "?"]), max_size=30))
def test_a_record_with_answers_taken_back_replays(
    tmp_path_factory: pytest.TempPathFactory, typed: list[str]
) -> None:
    bench = Bench(tmp_path_factory.mktemp("undo") / "logbook.db")
    # Two keys come twice, and jaws are closed twice.
    words = [Text(key=f"q{number % 4}", low_mm=0.0, high_mm=9.0) for number in range(6)]
    jaws = replace(ZERO, high_mm=9.0)
    questions = [*words[:3], jaws, *words[3:], jaws]
    outcome = bench.run([*typed, *["5"] * 9], *questions)
    heard = bench.heard
    bench.logbook.close()
    expected: list[float] = []
    for word in [*typed, *["5"] * 9]:
        if len(expected) == len(questions):
            break
        if word == "undo":
            del expected[-1:]
        elif word.isdigit():
            expected.append(float(word))
    assert [one.value for one in heard if isinstance(one, Value)] == expected
    bench.logbook = type(bench.logbook)(bench.file)
    assert replay(bench.plan(*questions), steps(bench)).result == outcome.result
    assert bench.heard == heard
    bench.logbook.close()
    bench.transcript.close()


def test_again_at_a_reading_is_for_the_plan(bench: Bench) -> None:
    bench.run(["again"], READING)
    assert bench.heard == [Again()]


def test_words_taken_back_come_again_with_enter(bench: Bench) -> None:
    offered: list[tuple[str, str]] = []
    answers = iter(["too small", "back", "", "7"])

    def answer(question: Question) -> str:
        offered.append((question.line.key, getattr(question.accepts, "default", "")))
        return next(answers)

    bench.run(answer, NAME, FREE)
    assert offered == [("name", ""), ("free", ""), ("name", "too small"), ("free", "")]
    assert bench.heard == [Value("too small"), Value(7.0)]


def test_a_plan_that_says_something_else_when_made_anew_is_a_defect(bench: Bench) -> None:
    plans = iter([[FREE, CLEAR], []])
    outcome = bench.engine(["5", "undo"]).run(lambda: bench.plan(*next(plans)))
    assert outcome.ended_as == "failed"
    (said,) = [one for one in bench.person.tagged("NOTE") if one.key == "failed"]
    assert "ended before the question" in said.says


def test_a_question_that_is_not_in_the_record_takes_all_of_it_back() -> None:
    note = Step(2, 0.0, *TAKEN_BACK, "name", None)
    assert what_counts([Step(1, 0.0, "intent", "Text", "other", {}), note]) == []
