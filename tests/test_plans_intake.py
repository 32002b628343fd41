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
        said = [] if at <= keys.index("job.number") + 1 else ["job.so-far"]
        assert again == [*keys[:at], *said, *keys[at - 1 :]]
        assert same == answers


def conversation(answers: dict[str, list[str]], cut_at: str = "") -> tuple[list[Message], object]:
    """Answer with what is listed for a key, then with the default; cut off once at `cut_at`."""
    said: list[Message] = []
    plan = intake(CARD, "card.toml")
    message = next(plan)
    try:
        while True:
            said.append(message)
            if message.key == cut_at:
                cut_at = ""
                message = plan.throw(Interrupted())
                continue
            left = answers.get(message.key)
            message = plan.send(Value(left.pop(0)) if left else reply_to(message))
    except StopIteration as ended:
        return said, ended.value


def test_all_is_asked_again_with_the_earlier_answers() -> None:
    said, answers = conversation(
        {
            "job.number": ["A-1", "A-2"],
            "job.complaint": ["too small"],
            "job.symptom": ["shifts"],
            "job.by": ["Kim", "none"],
            "job.caliper": ["none"],
            "job.right": ["again"],
        }
    )
    second = [one for one in said if isinstance(one, Text | Choose)][7:]
    assert [one.default for one in second] == [
        "A-1", "too small", "shifts", "Kim", "", "2026-02-03", "keep",
    ]  # fmt: skip
    assert [one.key for one in second if "none leaves it out" in one.says] == [
        "job.complaint", "job.by", "job.calibrated",
    ]  # fmt: skip
    assert answers == {
        "job": "A-2", "complaint": "too small", "symptom": "shifts", "by": "", "caliper": "",
        "calibrated_on": "2026-02-03",
    }  # fmt: skip


def test_taken_up_it_says_what_was_answered() -> None:
    said, _ = conversation({"job.complaint": ["too small"]}, cut_at="job.by")
    (so_far,) = [one for one in said if one.key == "job.so-far"]
    assert isinstance(so_far, Say)
    assert so_far.says == "so far: job: A 1; complaint: too small; symptom: not-said"


@pytest.mark.parametrize("symptom", SYMPTOMS)
def test_the_way_on_is_a_command_line(symptom: str) -> None:
    steps = next_steps({"job": "A 1", "symptom": symptom}, "my card.toml")
    words = shlex.split(steps[0].partition(": ")[2])
    assert words == [
        "tuner", "tune", "my card.toml", "--port", "PORT", "--quick", "--job", "A 1",
    ]  # fmt: skip
    words = shlex.split(steps[3].partition(": ")[2])
    assert words[-4:] == ["--check", "last", "--job", "A 1"]
    assert steps[4].endswith("tuner sheet 'A 1'")
    assert len({*steps}) == 5


def test_every_command_finds_the_home_it_was_typed_for() -> None:
    steps = next_steps({"job": "A 1", "symptom": "not-said"}, "card.toml", " --home '/my bench'")
    commands = [one.partition(": tuner ")[2] for one in steps if "--job" in one or "sheet" in one]
    assert len(commands) == 4
    assert [one for one in commands if not one.endswith("'A 1' --home '/my bench'")] == []


def test_a_simulated_machine_is_rehearsed() -> None:
    steps = next_steps({"job": "A-1", "symptom": "shifts"}, "rehearse://bench-mule")
    assert steps[0].endswith(": tuner rehearse --machine bench-mule --quick --job A-1")
    assert steps[3].endswith("rehearse --machine bench-mule --check last --job A-1")
    assert not any("tuner tune" in step for step in steps)
