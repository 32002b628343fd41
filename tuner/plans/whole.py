"""Several axes of one machine: in which order, small moves on all before far ones on any.

The rules: what moves freely comes before what can drop, and the feeder last. An axis whose first
move was wrong is not measured. Before each axis a person may put it off or leave it out, and what
was left out is offered once more at the end. The small move only shows that an axis goes the right
way: by the time it is measured its motor may have been released, so its free travel is then
declared anew and 1 mm watched once more.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from tuner.card.schema import Axis, Card
from tuner.drive.scale import form_words
from tuner.messages import Checkpoint, Choose, Say
from tuner.plans.first_move import first_move, put_block_beside
from tuner.plans.recover import Contact
from tuner.plans.run import AxisRun, Part, hear

__all__ = ["first_moves", "in_safe_order", "moves_alone", "next_axis", "say_summary"]

_NOW, _LATER, _LEAVE_OUT, _NONE = "now", "later", "leave-out", "none"


def in_safe_order(card: Card, axes: Sequence[str]) -> list[str]:
    """Return `axes`, level ones first, then those that turn, that can drop, and the feeder."""
    return sorted(axes, key=lambda name: _rank(card.axes[name]))


def _rank(axis: Axis) -> int:
    if axis.filament is not None:
        return 3
    if axis.vertical:
        return 2
    return 1 if axis.train.drive.kind == "rotary" else 0


def moves_alone(card: Card, name: str) -> bool:
    """Return whether a first move of that axis, watched by eye, stands for itself."""
    axis = card.axes[name]
    is_coupled = card.layout == "coupled-belts" and name in ("x", "y")
    return axis.filament is None and axis.train.drive.kind != "rotary" and not is_coupled


def first_moves(runs: Sequence[AxisRun], contact: Contact, step: int, of: int) -> Part[None]:
    """Watch 1 mm on every axis of `runs` that has not been watched since the last connecting."""
    if not contact.is_made:
        yield from contact.make_again()
    yield Checkpoint(
        key="first-moves", step=step, of=of, says="The first small move of every axis, by eye"
    )
    for run in runs:
        if run.finding or run.watched_at == contact.times:
            continue
        yield from put_block_beside(run)
        ended = yield from first_move(run)
        run.watched_at = contact.times
        if ended is not None:
            run.finding = ended
            if run.ends_session:
                return


def next_axis(left: list[str], out: list[str]) -> Part[str | None]:
    """Return the axis to measure next, taken out of `left` or `out`; None when that was all.

    What is put off goes to the end of `left`, what is left out to `out`, from where it can come
    back when nothing else is left.
    """
    while left:
        name = left[0]
        others = len(left) > 1
        when = yield from hear(
            Choose(
                key=f"{name}.when",
                options=(_NOW, _LATER, _LEAVE_OUT) if others else (_NOW, _LEAVE_OUT),
                default=_NOW,
                says=f"Next: {name.upper()}. Now{', later' * others}, or leave it out?",
            )
        )
        left.remove(name)
        if when == _NOW:
            return name
        (left if when == _LATER else out).append(name)
    if not out:
        return None
    back = yield from hear(
        Choose(
            key="left-out",
            options=(*out, _NONE),
            default=_NONE,
            says="These axes were left out. Is one to be measured after all?",
        )
    )
    if back == _NONE:
        return None
    out.remove(back)
    return str(back)


def say_summary(runs: Sequence[AxisRun], out: Sequence[str]) -> Part[None]:
    """Say what came of every axis, a line each."""
    for run in runs:
        yield Say(
            key=f"{run.name}.summary",
            fields=(("verdict", run.finding["verdict"]),),
            says=f"{run.letter}: {_in_short(run)}",
        )
    for name in out:
        yield Say(key=f"{name}.summary", says=f"{name.upper()}: left out")


def _in_short(run: AxisRun) -> str:
    finding: dict[str, Any] = run.finding
    proposal = finding["proposal"]
    form = run.axis.stored.form
    if proposal and proposal[form] is not None:
        return (
            f"{finding['verdict']}: {proposal[form]:.6g} instead of "
            f"{proposal['found'][form]:.6g} {form_words(form, run.unit)}"
        )
    return f"{finding['verdict']}: {finding['next']}"
