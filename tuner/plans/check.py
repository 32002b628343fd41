"""The session after a change: was the number typed in, for this axis, once and as written?

Fewer readings than the first time: the ladder and the four that name a part. Where the axis
travels as before although the number was typed in, another one may have got it, and that one is
measured too. Nothing is proposed here; what became of the proposal is the result.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

from tuner.card.dialect import Dialect
from tuner.card.schema import Card
from tuner.messages import Checkpoint, Choose, Decided, Plan, Say
from tuner.metrology.applied import Applied, Promise, judge, went_elsewhere
from tuner.metrology.budget import Scale
from tuner.plans.axes import measured
from tuner.plans.axis import run_of
from tuner.plans.recover import Contact
from tuner.plans.run import AxisRun, Finding, Part, hear
from tuner.plans.visit import arrive, leave_cold

NAME = "check"
VERSION = 3
_STEPS_BEFORE, _STEPS_AN_AXIS, _STEPS_AFTER = 2, 3, 2
_NONE = "none"


@dataclass(frozen=True)
class Change:
    """A proposal that was to be applied by hand: its identifier, its axis, what it promised.

    `number` is what it said to type, in the form of the card; None where it left that form open.
    """

    proposal: str
    axis: str
    promise: Promise
    number: float | None = None


def check(card: Card, dialect: Dialect, change: Change, network: bool) -> Plan:
    """Measure the axis of `change` again; the result has ``proposal``, ``outcome``, ``finding``.

    It is empty when something forbids to connect. `network` as for a session at the bench.
    """
    of = _STEPS_BEFORE + _STEPS_AN_AXIS + _STEPS_AFTER
    contact = Contact(dialect, network=network)
    if not (yield from contact.through(partial(arrive, card, contact, of))):
        return {}
    step = _STEPS_BEFORE + 1
    run = yield from _measured(card, contact, step, of, change.axis, change.number)
    seen = yield from contact.through(partial(_judged, run, change))
    if seen["outcome"] == "not-applied" and not run.ends_session:
        other = yield from contact.through(partial(_where_else, card, run))
        if other != _NONE:
            step, of = step + _STEPS_AN_AXIS, of + _STEPS_AN_AXIS
            second = yield from _measured(card, contact, step, of, other)
            seen = yield from contact.through(partial(_elsewhere, run, second, change, seen))
    yield from contact.through(partial(leave_cold, contact, of))
    result = Checkpoint(key="result", step=of, of=of, says="What became of the change")
    yield from contact.through(partial(hear, result))
    yield from contact.through(partial(_say, run, seen))
    return {"proposal": change.proposal, "outcome": seen["outcome"], "finding": run.finding}


def _measured(
    card: Card, contact: Contact, step: int, of: int, name: str, number: float | None = None
) -> Part[AxisRun]:
    run = run_of(card, card.axes[name], quick=True)
    run.to_be_typed = number
    done = yield from measured(card, run, contact, step, of)
    return next(one for one in done if one.name == name)


def _judged(run: AxisRun, change: Change) -> Part[dict[str, str]]:
    scale = _scale(run.finding)
    if scale is None:
        judged = Applied("cannot-tell", "the axis could not be measured", run.finding["next"])
    else:
        judged = judge(change.promise, scale)
    value = {"outcome": judged.outcome, "says": judged.says, "next": judged.next}
    return dict((yield from hear(Decided(key=f"{run.name}.applied", value=value))))


def _scale(finding: Finding) -> Scale | None:
    """Return the scale of a finding that can be relied on, else None."""
    said: dict[str, Any] | None = finding["scale"]
    if not said or said["value"] <= 0.0 or finding["suspect_readings"] or finding["jumps"]:
        return None
    return Scale(**{name: said[name] for name in ("value", "u", "U", "k", "dof")})


def _where_else(card: Card, run: AxisRun) -> Part[str]:
    """Ask whether the number went to another axis; the result is its name, or none."""
    yield Say(
        key=f"{run.name}.as-before",
        says=f"{run.letter} travels as it did before the change: its number is still the old one",
    )
    others = [
        name
        for name, axis in card.axes.items()
        if name != run.name and axis.train.drive.kind not in ("feeder", "rotary")
    ]
    if not others:
        return _NONE
    return str(
        (
            yield from hear(
                Choose(
                    key=f"{run.name}.typed-where",
                    options=(*others, _NONE),
                    says=(
                        "If the number was typed in, it may have gone to another axis. Which one "
                        "should be measured as well? none: it was not typed in, or look yourself"
                    ),
                )
            )
        )
    )


def _elsewhere(
    run: AxisRun, other: AxisRun, change: Change, seen: dict[str, str]
) -> Part[dict[str, str]]:
    scale = _scale(other.finding)
    went = scale is not None and went_elsewhere(change.promise, scale)
    if not (yield from hear(Decided(key=f"{other.name}.got-it", value=went))):
        return seen
    return {
        "outcome": "other-axis",
        "says": f"{other.letter} got the number that was meant for {run.letter}",
        "next": (
            f"type the number found on the card back in for {other.letter}, and the proposed one "
            f"for {run.letter}; then check again"
        ),
    }


def _say(run: AxisRun, seen: dict[str, str]) -> Part[None]:
    yield Say(
        key=run.name,
        tag="RESULT",
        fields=(("outcome", seen["outcome"]),),
        says=f"{run.letter}, {seen['outcome']}: {seen['says']}",
    )
    yield Say(key=f"{run.name}.next", says=f"next: {seen['next']}")
