"""Replies survive JSON; a replay says the same messages and finds the same, or refuses."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from fakes import Hand, card, dialect
from hypothesis import given
from hypothesis import strategies as st

from tuner.errors import InputFault
from tuner.messages import (
    Again,
    Confirm,
    Decided,
    Interrupted,
    Limits,
    Message,
    Plan,
    Reply,
    Say,
    Undo,
    Value,
    fingerprint,
)
from tuner.plans import bench
from tuner.session.codec import reply_from_json, reply_to_json
from tuner.session.logbook import Step
from tuner.session.replay import INTERRUPTED, follow, replay

LIMITS = Limits(
    axis="x", minus_mm=-1.5, plus_mm=220.0, scale_low=1 / 25.4, scale_high=25.4,
    direction_seen=False, at_mm=None,
)  # fmt: skip
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text() | st.floats(allow_nan=False,
                                                                      allow_infinity=False),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)  # fmt: skip


def through_json(reply: Reply) -> Reply:
    kind, body = reply_to_json(reply)
    return reply_from_json(kind, json.loads(json.dumps(body, allow_nan=False)))


@given(JSON)
def test_any_value_comes_back(value: Any) -> None:
    assert through_json(Value(value)) == Value(value)


@pytest.mark.parametrize(
    "reply",
    [
        Again(), Undo(), Value(None), Value(0.1 + 0.2), Value(5e-324), Value(LIMITS),
        Value(70.25, 1010.5), Value(70.25, 0.0),
        Value({"of": "Limits"}), Value({"value": {"axis": "x"}, "of": "Limits"}),
    ],
    ids=repr,
)  # fmt: skip
def test_every_kind_of_reply_comes_back(reply: Reply) -> None:
    back = through_json(reply)
    assert back == reply
    assert type(getattr(back, "value", None)) is type(getattr(reply, "value", None))


def test_replies_stand_in_old_logbooks_as_they_stand_in_new_ones() -> None:
    limits = {
        "axis": "x", "minus_mm": -1.5, "plus_mm": 220.0, "scale_low": 1 / 25.4, "scale_high": 25.4,
        "direction_seen": False, "at_mm": None,
    }  # fmt: skip
    forms: list[tuple[Reply, str, Any]] = [
        (Again(), "Again", None),
        (Undo(), "Undo", None),
        (Value("no"), "Value", {"value": "no"}),
        (Value(70.25, 1010.5), "Value", {"value": 70.25, "at_s": 1010.5}),
        (Value(LIMITS), "Value", {"value": limits, "of": "Limits"}),
    ]
    for reply, kind, body in forms:
        assert reply_from_json(kind, body) == reply
    limits |= {"astray_mm": 0.0, "slant": 0.0}  # which the oldest have not
    for reply, kind, body in forms:
        assert reply_to_json(reply) == (kind, body)
    assert INTERRUPTED == ("lost", "interrupted")


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="kind 'Maybe' is not known"):
        reply_from_json("Maybe", None)


# --- replay -----------------------------------------------------------------------------


def recorded(pairs: Sequence[tuple[Message, Reply | None]]) -> list[Step]:
    steps: list[Step] = []
    for message, reply in pairs:
        n = len(steps) + 1
        body = json.loads(json.dumps(fingerprint(message)))
        steps.append(Step(n, 0.0, "intent", type(message).__name__, message.key, body))
        steps.append(Step(n + 1, 0.0, "note", "refused", "refused", "not this"))
        if reply is not None:
            kind, reply_body = reply_to_json(reply)
            reply_body = json.loads(json.dumps(reply_body))
            steps.append(Step(n + 2, 0.0, "reply", kind, message.key, reply_body))
    return steps


def session(make: Callable[[], Plan], hand: Hand) -> tuple[list[tuple[Message, Reply]], Any]:
    pairs: list[tuple[Message, Reply]] = []
    plan = make()
    try:
        message = next(plan)
        while True:
            reply = hand.reply(message)
            pairs.append((message, reply))
            message = plan.send(reply)
    except StopIteration as ended:
        return pairs, ended.value


def a_plan() -> Plan:
    return bench.bench(card(), dialect(), ["x"], False)


PAIRS, RESULT = session(a_plan, Hand(scale=0.8, answers={"near.1": [None, Again()]}))


def test_the_same_replies_give_the_same_result() -> None:
    replayed = replay(a_plan(), recorded(PAIRS))
    assert replayed.finished
    assert replayed.messages == len(PAIRS)
    assert replayed.result == RESULT
    assert replayed.waiting is None
    assert any(reply == Again() for _, reply in PAIRS)


@pytest.mark.parametrize(
    ("hand", "verdict"),
    [
        (Hand({"free-minus": 6.0, "free-plus": 9.0}), "cannot-tell"),
        (Hand({"free-minus": 6.0, "free-plus": 6.0}), "cannot-tell"),
        (Hand(scale=1.007), "change"),
        (Hand({"place-anew": False}, scale=1.007), "measure-again"),
        (Hand({"x.far.1": [None, 20.0]}), "measure-again"),
        (Hand({"ladder.ten": [None, 20.0]}), "measure-again"),
        (Hand({"holds": ["no", "yes"], "x.look.pulley-teeth.16": "no"}, scale=0.8), "cannot-tell"),
        (Hand({"still": "no"}), "cannot-tell"),
    ],
    ids=[
        "no room to measure", "no room on the ladder", "placed anew", "not placed anew",
        "touched", "bent ladder", "looks", "not still",
    ],
)  # fmt: skip
def test_every_way_to_a_finding_replays(hand: Hand, verdict: str) -> None:
    pairs, result = session(a_plan, hand)
    assert result["x"]["verdict"] == verdict
    replayed = replay(a_plan(), recorded(pairs))
    assert replayed.finished
    assert replayed.result == result


def test_a_recorded_value_wins_over_what_is_computed_now() -> None:
    def plan(computed: float) -> Plan:
        heard = yield Decided(key="k", value=computed)
        assert isinstance(heard, Value)
        return heard.value

    record = recorded([(Decided(key="k"), Value(1.5))])
    assert replay(plan(9.9), record).result == 1.5


@pytest.mark.parametrize("answered", range(0, len(PAIRS), 7))
@pytest.mark.parametrize("asked", [True, False])
def test_a_session_that_was_cut_waits_where_it_was(answered: int, asked: bool) -> None:
    pairs: list[tuple[Message, Reply | None]] = list(PAIRS[:answered])
    if asked:
        pairs.append((PAIRS[answered][0], None))
    replayed = replay(a_plan(), recorded(pairs))
    assert not replayed.finished
    assert replayed.waiting == PAIRS[answered][0]
    assert replayed.messages == len(pairs)
    assert replayed.result is None


def two(first: str, second: str) -> Callable[[], Plan]:
    def plan() -> Plan:
        yield Say(key=first)
        yield Say(key=second)
        return None

    return plan


def test_a_plan_that_says_something_else_is_refused() -> None:
    record = recorded([(Say(key="a"), Value(None)), (Say(key="b"), Value(None))])
    assert replay(two("a", "b")(), record).finished
    with pytest.raises(InputFault, match=r"another version.*start a new"):
        replay(two("a", "c")(), record)
    with pytest.raises(InputFault, match="step 1 recorded"):
        replay(two("c", "b")(), record)


def test_a_plan_that_ends_too_early_is_refused() -> None:
    record = recorded([(Say(key="a"), Value(None)), (Say(key="b"), Value(None)),
                       (Confirm(key="c"), None)])  # fmt: skip
    with pytest.raises(InputFault, match="the plan now ends where step 7 recorded"):
        replay(two("a", "b")(), record)


def test_other_wording_is_not_another_version() -> None:
    def reworded() -> Plan:
        yield Say(key="a", says="better words")

    assert replay(reworded(), recorded([(Say(key="a", says="words"), Value(None))])).finished


def test_a_reply_without_an_intent_belongs_to_nothing() -> None:
    stray = Step(1, 0.0, "reply", "Value", "a", {"value": 1})
    assert replay(two("a", "b")(), [stray]).waiting == Say(key="a")
    assert replay(two("a", "b")(), []).waiting == Say(key="a")


# --- interruptions ------------------------------------------------------------------------


def again(first: str, second: str) -> Plan:
    """Says both, and from the beginning again when it is interrupted at the second."""
    while True:
        yield Say(key=first)
        try:
            yield Say(key=second)
        except Interrupted:
            continue
        return "said"


def interrupted(n: int) -> Step:
    phase, kind = INTERRUPTED
    return Step(n, 0.0, phase, kind, "b", None)


@pytest.mark.parametrize("asked", [True, False], ids=["at the question", "before it"])
def test_the_plan_is_interrupted_where_it_was(asked: bool) -> None:
    first = recorded([(Say(key="a"), Value(None)), *([(Say(key="b"), None)] * asked)])
    rest = recorded([(Say(key="a"), Value(None)), (Say(key="b"), Value(None))])
    replayed = replay(again("a", "b"), [*first, interrupted(9), *rest])
    assert replayed.finished
    assert replayed.result == "said"
    assert replayed.messages == 3 + asked


def test_a_replay_leaves_no_plan_open() -> None:
    tidied = []

    def plan() -> Plan:
        try:
            yield Say(key="a")
        finally:
            tidied.append(True)

    kept = plan()  # so that nothing but the replay closes it
    assert not replay(kept, []).finished
    assert tidied == [True]


def test_an_interruption_that_led_elsewhere_is_another_version() -> None:
    record = [
        *recorded([(Say(key="a"), Value(None))]),
        interrupted(9),
        *recorded([(Say(key="b"), None)]),
    ]
    with pytest.raises(InputFault, match="another version"):
        replay(again("a", "b"), record)


def test_what_is_followed_is_left_open_and_told() -> None:
    heard: list[tuple[Message, Reply]] = []
    plan = two("a", "b")()
    followed = follow(
        plan, recorded([(Say(key="a"), Value(None))]), lambda *what: heard.append(what)
    )
    assert heard == [(Say(key="a"), Value(None))]
    assert followed.waiting == Say(key="b")
    with pytest.raises(StopIteration):
        plan.send(Value(None))
