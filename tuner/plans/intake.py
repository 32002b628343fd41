"""A machine comes in: what the customer says, who does the work, with which caliper.

No machine is needed and nothing moves. Every answer but the job number may be left out, and only
what is typed is kept. It can be left at any question and taken up there again.
"""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from typing import Any

from tuner.card.schema import Card
from tuner.messages import Choose, Interrupted, Message, Plan, Say, Text
from tuner.plans.asking import REFUSED, Read, name
from tuner.plans.run import Part, hear

__all__ = [
    "NAME",
    "SIMULATED",
    "SYMPTOMS",
    "VERSION",
    "answers_in",
    "in_words",
    "intake",
    "next_steps",
]

NAME = "intake"
VERSION = 2
SIMULATED = "rehearse://"

# In signs; with all of them the sheet still fits on two pages.
_LONGEST_NUMBER, _LONGEST_NAME, _LONGEST_COMPLAINT = 40, 80, 300
_LEFT_OUT = "none"  # typed where Enter would keep something
# What is asked, and what it is called in the result.
_KEYS = {
    "job.number": "job",
    "job.complaint": "complaint",
    "job.symptom": "symptom",
    "job.by": "by",
    "job.caliper": "caliper",
    "job.calibrated": "calibrated_on",
}

SYMPTOMS = {
    "wrong-size": "what it makes has the wrong size",
    "shifts": "it shifts all at once, or loses its place",
    "moves-badly": "it moves roughly, not at all, or the wrong way",
    "feeds-wrong": "it feeds too much or too little filament",
    "not-said": "nothing was said, or something else",
}
"""What a customer complains about, in the words of the sheet."""

# What tells more about it than moving the axes, where there is something.
_TESTS = {
    "wrong-size": "tuner prints SIZES.csv tells line width and shrinkage from scale, where printed "
    "parts came with the machine",
    "shifts": "tuner offset SIZE_MM --card CARD --axis A says what a shift of that size can be",
    "moves-badly": "power off and unplugged, look at belts, pulleys, screws and plugs first",
    "feeds-wrong": "tuner why leads through what a length of filament can tell",
    "not-said": "tuner why asks for what can be measured on a bad print",
}


def intake(card: Card, card_file: str, at: str = "") -> Plan:
    """Ask what a job sheet needs of the machine on `card`; the result maps each key to its text.

    The keys are ``job``, ``complaint``, ``symptom``, ``by``, ``caliper`` and ``calibrated_on``,
    what was left out is empty. `card_file` is named in the commands that are proposed; for a
    simulated machine it is ``rehearse://`` and its name. `at` is what they end with.
    """
    answers: dict[str, str] = {}
    welcome = (
        f"{card.name}: what came in and why. Enter alone leaves a question out, but for "
        "the job number; only what is typed is kept. Nothing is moved"
    )
    yield from _through(Say(key="job.welcome", says=welcome), answers)
    while True:
        yield from _questions(card, answers)
        kept = yield from _through(
            Choose(
                key="job.right",
                options=("keep", "again"),
                default="keep",
                says=f"{_in_words(answers)}. Keep it, or ask again? There Enter keeps each answer",
            ),
            answers,
        )
        if kept == "keep":
            break
    for number, step in enumerate(next_steps(answers, card_file, at), 1):
        yield from _through(Say(key=f"job.next.{number}", says=step), answers)
    return answers


def answers_in(replies: Mapping[str, Any]) -> dict[str, str]:
    """Return what an intake was told so far, with the keys of its result, from `replies` by key."""
    return {name: str(replies[key]) for key, name in _KEYS.items() if key in replies}


def in_words(answers: Mapping[str, str]) -> str:
    """Return `answers` on one line, without what was left out."""
    return _in_words({key: text for key, text in answers.items() if text})


def _questions(card: Card, answers: dict[str, str]) -> Part[None]:
    """Ask for everything, and put it into `answers`; what is there already is what Enter means."""
    caliper = card.caliper
    calibrated = "" if caliper.calibrated_on is None else caliper.calibrated_on.isoformat()
    yield from _typed(
        answers, "job.number", "The number of this job", "job number", _LONGEST_NUMBER, must=True
    )
    yield from _typed(
        answers,
        "job.complaint",
        "What is wrong, in the customer's words",
        "complaint",
        _LONGEST_COMPLAINT,
    )
    answers["symptom"] = yield from _through(
        Choose(
            key="job.symptom",
            options=tuple(SYMPTOMS),
            default=answers.get("symptom", "not-said"),
            says="What is it about? " + "; ".join(f"{one}: {SYMPTOMS[one]}" for one in SYMPTOMS),
        ),
        answers,
    )
    yield from _typed(answers, "job.by", "Who does the work, as the sheet shall name them", "name")
    yield from _typed(
        answers,
        "job.caliper",
        "Which caliper is used, its number or name",
        "caliper",
        usual=caliper.id or "",
    )
    yield from _typed(
        answers,
        "job.calibrated",
        "When it was last calibrated, as its label says",
        "date",
        usual=calibrated,
    )


def _in_words(answers: Mapping[str, str]) -> str:
    return "; ".join(f"{key.replace('_', ' ')}: {text or '-'}" for key, text in answers.items())


def next_steps(answers: Mapping[str, str], card_file: str, at: str = "") -> list[str]:
    """Return what to do now with a machine that came in so, one sentence each, in order."""
    job = f"{shlex.quote(answers['job'])}{at}"
    if card_file.startswith(SIMULATED):
        session = f"tuner rehearse --machine {card_file.removeprefix(SIMULATED)}"
    else:
        session = f"tuner tune {shlex.quote(card_file)} --port PORT"
    return [
        f"first how it was found, about ten readings an axis: {session} --quick --job {job}",
        _TESTS[answers["symptom"]],
        f"then the axis that is off, until its cause is known: {session} --axis A --job {job}",
        f"after somebody has applied the proposal: {session} --check last --job {job}",
        f"at the end the sheet of the whole job: tuner sheet {job}",
    ]


def _typed(
    answers: dict[str, str],
    key: str,
    says: str,
    wanted: str,
    longest: int = _LONGEST_NAME,
    usual: str = "",
    *,
    must: bool = False,
) -> Part[None]:
    """Ask for a text that may be left out unless it `must` be there, until it can be kept.

    Enter means what is in `answers` already, at first the `usual` one.
    """
    read: Read[str] = name(longest)
    default = answers.get(_KEYS[key], usual)
    may_leave_out = default and not must
    while True:
        question = Text(
            key=key,
            default=default,
            wanted=wanted,
            says=f"{says}; {_LEFT_OUT} leaves it out" if may_leave_out else says,
        )
        text = str((yield from _through(question, answers))).strip()
        try:
            if must and not text:
                raise ValueError(f"Enter alone answers nothing here; expected: {wanted}")
            answers[_KEYS[key]] = "" if may_leave_out and text == _LEFT_OUT else read(text)
            return
        except ValueError as reason:
            yield from _through(Say(key=REFUSED, says=str(reason)), answers)


def _through(message: Message, answers: Mapping[str, str]) -> Part[Any]:
    """Say `message` and return what answers it, once more where it was interrupted.

    Then come first the `answers` so far.
    """
    was_interrupted = False
    while True:
        try:
            if was_interrupted and answers:
                so_far = Say(key="job.so-far", says=f"so far: {in_words(answers)}")
                yield from hear(so_far)
            return (yield from hear(message))
        except Interrupted:
            was_interrupted = True
