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

__all__ = ["NAME", "SYMPTOMS", "VERSION", "intake", "next_steps"]

NAME = "intake"
VERSION = 1

_LONGEST_NUMBER, _LONGEST_TEXT = 40, 300

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


def intake(card: Card, card_file: str) -> Plan:
    """Ask what a job sheet needs of the machine on `card`; the result maps each key to its text.

    The keys are ``job``, ``complaint``, ``symptom``, ``by``, ``caliper`` and ``calibrated_on``,
    what was left out is empty. `card_file` is named in the commands that are proposed.
    """
    yield from _through(
        Say(
            key="job.welcome",
            says=f"{card.name}: what came in and why. Enter alone leaves a question out, but for "
            "the job number; only what is typed is kept. Nothing is moved",
        )
    )
    while True:
        answers = yield from _questions(card)
        kept = yield from _through(
            Choose(
                key="job.right",
                options=("keep", "again"),
                default="keep",
                says=f"{_in_words(answers)}. Keep it, or ask again?",
            )
        )
        if kept == "keep":
            break
    for number, step in enumerate(next_steps(answers, card_file), 1):
        yield from _through(Say(key=f"job.next.{number}", says=step))
    return answers


def _questions(card: Card) -> Part[dict[str, str]]:
    caliper = card.caliper
    calibrated = "" if caliper.calibrated_on is None else caliper.calibrated_on.isoformat()
    number = yield from _typed("job.number", "The number of this job", "job number", must=True)
    complaint = yield from _typed(
        "job.complaint", "What is wrong, in the customer's words", "complaint"
    )
    symptom = yield from _through(
        Choose(
            key="job.symptom",
            options=tuple(SYMPTOMS),
            default="not-said",
            says="What is it about? " + "; ".join(f"{one}: {SYMPTOMS[one]}" for one in SYMPTOMS),
        )
    )
    by = yield from _typed("job.by", "Who does the work, as the sheet shall name them", "name")
    used = yield from _typed(
        "job.caliper", "Which caliper is used, its number or name", "caliper", caliper.id or ""
    )
    on = yield from _typed(
        "job.calibrated", "When it was last calibrated, as its label says", "date", calibrated
    )
    return {
        "job": number,
        "complaint": complaint,
        "symptom": symptom,
        "by": by,
        "caliper": used,
        "calibrated_on": on,
    }


def _in_words(answers: Mapping[str, str]) -> str:
    return "; ".join(f"{key.replace('_', ' ')}: {text or '-'}" for key, text in answers.items())


def next_steps(answers: Mapping[str, str], card_file: str) -> list[str]:
    """Return what to do now with a machine that came in so, one sentence each, in order."""
    card, job = shlex.quote(card_file), shlex.quote(answers["job"])
    return [
        f"first how it was found, four readings an axis: tuner tune {card} --port PORT --quick "
        f"--job {job}",
        _TESTS[answers["symptom"]],
        f"then the axis that is off, until its cause is known: tuner tune {card} --port PORT "
        f"--axis A --job {job}",
        "after somebody has applied the proposal: the same with --check PROPOSAL",
        "at the end the sheet of the whole job: tuner sheet last",
    ]


def _typed(key: str, says: str, wanted: str, default: str = "", *, must: bool = False) -> Part[str]:
    """Ask for a text that may be left out unless it `must` be there, until it can be kept."""
    read: Read[str] = name(_LONGEST_NUMBER if must else _LONGEST_TEXT)
    while True:
        text = yield from _through(Text(key=key, default=default, wanted=wanted, says=says))
        try:
            if must and not text.strip():
                raise ValueError(f"Enter alone answers nothing here; expected: {wanted}")
            return read(text.strip())
        except ValueError as reason:
            yield from _through(Say(key=REFUSED, says=str(reason)))


def _through(message: Message) -> Part[Any]:
    """Say `message` and return what answers it, once more where it was interrupted."""
    while True:
        try:
            return (yield from hear(message))
        except Interrupted:
            continue
