"""After a proposal: was the number typed in, and rightly?

A stored number changes the true travel of every later move by the same factor, so what can have
happened to it stands in a ratio: left alone, once, twice, the wrong way round, or something
else. The axis is measured again with fewer readings, and its scale is held against each.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from tuner.metrology.budget import Scale
from tuner.metrology.causes import PARTS_U_RELATIVE

__all__ = ["Applied", "Outcome", "Promise", "judge", "went_elsewhere"]

Outcome = Literal[
    "confirmed",
    "not-applied",
    "applied-twice",
    "applied-inverse",
    "other-axis",
    "overshoot",
    "undershoot",
    "other-number",
    "cannot-tell",
]

# Beyond three standard uncertainties a hypothesis is dropped; the change must be worth more.
_WITHIN_U = 3.0


@dataclass(frozen=True)
class Promise:
    """What a proposal said: the scale it found, and what becomes of it.

    `factor` is true travel after / before the change, `before` the measured scale with its
    relative standard uncertainty. `exact` says that parts gave the number, so that the right
    scale after it is 1 and not the one that was measured times the factor.
    """

    before: float
    u_before_relative: float
    factor: float
    exact: bool

    def __post_init__(self) -> None:
        if not (self.before > 0.0 and self.factor > 0.0 and self.factor != 1.0):
            raise ValueError(
                f"a scale of {self.before:g} and a change by {self.factor:g}; expected both above "
                "0 and a change that changes something"
            )

    @property
    def after(self) -> float:
        """The scale that is right once the number is typed in."""
        return 1.0 if self.exact else self.before * self.factor


@dataclass(frozen=True)
class Applied:
    """What became of a proposal; `says` in a sentence, `next` what to do."""

    outcome: Outcome
    says: str
    next: str


_SAYS: dict[Outcome, tuple[str, str]] = {
    "confirmed": (
        "the axis travels as it is told",
        "set anew what the change made untrue, as the proposal lists it",
    ),
    "not-applied": (
        "the axis travels as it did before the change",
        "look whether the number was typed in, for this axis and no other, and whether the "
        "controller keeps it over a restart; then check again",
    ),
    "applied-twice": (
        "the axis travels as if the change had been made twice",
        "type the proposed number in as it is written, and do not scale it once more; then check "
        "again",
    ),
    "applied-inverse": (
        "the axis travels as if the change had been made the wrong way round",
        "look which form the controller stores (steps per mm, or mm per step), type the proposed "
        "number in that form; then check again",
    ),
}


def judge(promise: Promise, now: Scale) -> Applied:
    """Return what became of the change that `promise` speaks of, going by the scale `now`.

    Raises ``ValueError`` for a scale that is not above zero: then the axis does not follow.
    """
    if not now.value > 0.0:
        raise ValueError(f"a scale of {now.value:g} has no ratio to compare; expected above 0")
    step = math.log(promise.factor)
    off = math.log(now.value / promise.after)
    u = math.hypot(now.u_relative, PARTS_U_RELATIVE)
    u_before = math.hypot(u, promise.u_before_relative)
    steps: dict[Outcome, float] = {
        "confirmed": 0.0,
        "not-applied": -1.0,
        "applied-twice": 1.0,
        "applied-inverse": -2.0,
    }
    near = [
        outcome
        for outcome, times in steps.items()
        if abs(off - times * step)
        <= _WITHIN_U * (u if outcome == "confirmed" and promise.exact else u_before)
    ]
    if len(near) == 1:
        return Applied(near[0], *_SAYS[near[0]])
    if near:
        return Applied(
            "cannot-tell",
            f"a change by {100 * abs(promise.factor - 1):.2g} % does not stand out from "
            f"{100 * now.U_relative:.2g} % of uncertainty",
            "measure again over a longer base, or trust what the controller's display says",
        )
    return _another(off, step)


def _another(off: float, step: float) -> Applied:
    """Some other number is stored: say on which side of the right one, and by how much."""
    far = 100.0 * (math.exp(off) - 1.0)
    told = f"the axis travels {abs(far):.2g} % too {'far' if far > 0.0 else 'short'}"
    look = (
        "read the number that the controller holds now, digit by digit, and type the proposed one"
    )
    if off * step > 0.0:
        return Applied("overshoot", f"{told}: the change went too far", f"{look}; then check again")
    if abs(off) < abs(step):
        return Applied(
            "undershoot", f"{told}: the change did not go far enough", f"{look}; then check again"
        )
    return Applied(
        "other-number",
        f"{told}, worse than before and on the same side",
        f"{look}; then check again",
    )


def went_elsewhere(promise: Promise, other: Scale) -> bool:
    """Return whether another axis, right before, now travels as if it had got the number."""
    if not other.value > 0.0:
        return False
    u = math.hypot(other.u_relative, PARTS_U_RELATIVE)
    off, step = math.log(other.value), math.log(promise.factor)
    return abs(off - step) <= _WITHIN_U * u < abs(off)
