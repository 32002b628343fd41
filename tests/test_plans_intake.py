"""What is asked when a machine comes in, and where each complaint leads."""

from __future__ import annotations

import shlex

import pytest
from fakes import CARD_TEXT

from tuner.card.read import parse_card
from tuner.messages import Choose, Interrupted, Message, Plan, Reply, Say, Text, Value
from tuner.plans.intake import SYMPTOMS, intake, next_steps

CARD = parse_card(
    CARD_TEXT.replace(
        "error_limit_mm = 0.03", 'error_limit_mm = 0.03\nid = "C-9"\ncalibrated_on = 2026-02-03'
    ),
    "card",
)


def reply_to(message: Message) -> Reply:
    match message:
        case Text(key="job.number"):
            return Value("A 1")
        case Text() | Choose():
            return Value(message.default)
    assert isinstance(message, Say)
    return Value(None)


def played(plan: Plan, interrupted_at: int | None = None) -> tuple[list[str], object]:
    """Answer `plan` with its defaults; throw it out once at that message. Return keys, result."""
    keys = []
    message = next(plan)
    try:
        while True:
            keys.append(message.key)
            if len(keys) == interrupted_at:
                message = plan.throw(Interrupted())
                assert message.key == keys[-1]
            else:
                message = plan.send(reply_to(message))
    except StopIteration as ended:
        return keys, ended.value


def test_what_the_card_knows_is_the_default() -> None:
    _, answers = played(intake(CARD, "card.toml"))
    assert answers == {
        "job": "A 1", "complaint": "", "symptom": "not-said", "by": "", "caliper": "C-9",
        "calibrated_on": "2026-02-03",
    }  # fmt: skip


def test_it_goes_on_where_it_was_interrupted() -> None:
    keys, answers = played(intake(CARD, "card.toml"))
    for at in range(1, len(keys) + 1):
        again, same = played(intake(CARD, "card.toml"), interrupted_at=at)
        assert again == [*keys[:at], *keys[at - 1 :]]
        assert same == answers


@pytest.mark.parametrize("symptom", SYMPTOMS)
def test_the_way_on_is_a_command_line(symptom: str) -> None:
    steps = next_steps({"job": "A 1", "symptom": symptom}, "my card.toml")
    words = shlex.split(steps[0].partition(": ")[2])
    assert words == [
        "tuner", "tune", "my card.toml", "--port", "PORT", "--quick", "--job", "A 1",
    ]  # fmt: skip
    assert "--check PROPOSAL" in steps[3]
    assert steps[4].endswith("tuner sheet last")
    assert len({*steps}) == 5
