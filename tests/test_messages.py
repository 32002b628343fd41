"""Fingerprints hold quantities and no prose; a plain line is one short line."""

from __future__ import annotations

import dataclasses
import json
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuner.messages import (
    Approach,
    Ask,
    Checkpoint,
    Choose,
    Confirm,
    Decided,
    Heat,
    Line,
    Message,
    Observe,
    Propose,
    Reference,
    Say,
    Text,
    fingerprint,
)  # fmt: skip

ONE_OF_EACH: list[Message] = [
    Say(key="x.plan", says="words"),
    Confirm(key="power-switch", says="words"),
    Choose(key="x.still", options=("yes", "no"), says="words"),
    Text(key="x.free-plus", low_mm=0.0, high_mm=9.5, says="words"),
    Ask(key="x.near.1", axis="x", at_mm=1.0, approach="plus", n=1, low_mm=0.0, high_mm=150.0,
        says="words"),
    Approach(key="x.near.1", axis="x", to_mm=1.0, approach="minus", over_mm=1.0,
             feed_mm_per_min=600.0),
    Reference(key="x.reference", axis="x", position_mm=0.0),
    Heat(key="e.heat", heater="nozzle", target_c=200),
    Observe(key="greeting", what="greeting"),
    Decided(key="x.targets", value=[[1.0, "plus"]]),
    Checkpoint(key="leaving", step=3, of=4, says="words"),
    Propose(key="x.proposal", axis="x", finding={"verdict": "keep"}),
]  # fmt: skip
PROSE = {"says", "also", "wanted", "suggestions", "fields", "value", "finding", "unit"}


def name(message: Message) -> str:
    return type(message).__name__


def test_there_is_one_of_each() -> None:
    assert {type(one) for one in ONE_OF_EACH} == set(get_args(Message))


@pytest.mark.parametrize("message", ONE_OF_EACH, ids=name)
def test_a_fingerprint_is_json_and_comes_back_equal(message: Message) -> None:
    print_ = fingerprint(message)
    assert print_["type"] == name(message)
    assert print_["key"] == message.key
    assert json.loads(json.dumps(print_, allow_nan=False)) == print_


@pytest.mark.parametrize("message", ONE_OF_EACH, ids=name)
def test_prose_is_not_in_it_and_every_quantity_is(message: Message) -> None:
    for one in dataclasses.fields(message):
        changed = dataclasses.replace(message, **{one.name: "something else"})
        same = fingerprint(changed) == fingerprint(message)
        assert same == (one.name in PROSE), one.name


@given(st.text(max_size=600), st.text(max_size=600))
def test_a_plain_line_has_at_most_400_characters(value: str, says: str) -> None:
    line = Line("NOTE", "x.plan", (("field", value),), says).plain()
    assert len(line) <= 400
    assert line.startswith("NOTE x.plan field=")


@pytest.mark.parametrize(
    ("line", "plain"),
    [
        (Line("NOTE", "late"), "NOTE late"),
        (Line("NOTE", "late", (), "too late"), "NOTE late | too late"),
        (Line("CHOICE", "k", (("options", "yes,no"), ("default", ""))),
         "CHOICE k options=yes,no default="),
        (Line("FIT", "x", (("n", "6"),), "6 readings"), "FIT x n=6 | 6 readings"),
    ],
)  # fmt: skip
def test_a_plain_line(line: Line, plain: str) -> None:
    assert line.plain() == plain


@pytest.mark.parametrize("length", [395, 400, 401, 5000])
def test_what_is_cut_says_so(length: int) -> None:
    line = Line("N", "k", (), "x" * (length - len("N k | "))).plain()
    assert len(line) == min(length, 400)
    assert line.endswith("…") == (length > 400)
