"""What a sudden offset of one size can be: lost cycles, belt teeth, a moved datum, a move not made.

A two-phase motor that loses its field falls back by whole electrical cycles, four full steps each
(D. Labriola, Why open-loop steppers lose steps, 2005); a belt jumps by whole teeth. Both make
lattices in mm of the machine as it is. A zero that was pressed by accident makes any size.

The rules: a lattice finer than five u of the offset is not tested, because every size would fit.
Of two lattices such a one keeps its share of the odds, so that the other does not win by being
coarser. Two lattice points within five u of the offset are a tie, however odd one of them may be;
and without a look at the closed caliper no lattice is believed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from tuner.drive.parts import Belt, DriveTrain

__all__ = ["CONFIDENT", "DatumLook", "Meaning", "Offset", "Sense", "sense_of", "told_from_u_mm"]

DatumLook = Literal["unmoved", "moved"]
"""What the closed jaws showed after the jump: zero as before, or not."""

_WITHIN_U = 5.0
CONFIDENT = 0.95
"""From here on one meaning is said to be the one."""
# Less is not worth naming beside the others.
_WORTH_NAMING = 0.001
_MOST_COUNT = 30

# How often each is behind a sudden offset, and how fast larger counts become rare (assumptions, no
# source): motors lose several cycles more easily than belts jump several teeth.
_LOST_STEPS, _LOST_STEPS_FALL = 0.40, 0.80
_BELT_JUMP, _BELT_JUMP_FALL = 0.12, 0.50
_MOVE_NOT_MADE = 0.05
_MOTOR_RELEASED = 0.60
_DATUM_MOVED = 0.25
# What sits on a belt is clamped; nuts and couplings slip more often.
_NOT_LISTED_BELT, _NOT_LISTED = 0.01, 0.08
# A moved datum and lost motion of other kinds may be any size up to this, either way.
_ANY_SIZE_MM = 5.0
# A released rotor snaps to the nearest of its places of rest, at most two full steps away.
_SNAP_CYCLES = 0.5


@dataclass(frozen=True)
class Offset:
    """A sudden offset of `size_mm`, standard uncertainty `u_mm` with `dof`.

    `not_made_mm` is the offset that the last move leaves if it was never made, None where no move
    is known. `released` is true when the controller may have released the motor before it.
    """

    size_mm: float
    u_mm: float
    dof: float = math.inf
    not_made_mm: float | None = None
    released: bool = False


@dataclass(frozen=True)
class Meaning:
    """One thing that the offset can be: cycles or teeth of `step_mm`, which is None for neither.

    `count` is how many, None where they are too fine to be counted.
    """

    name: str
    p: float
    count: int | None = None
    step_mm: float | None = None

    @property
    def lattice(self) -> bool:
        """Whether this is a number of lost cycles or belt teeth."""
        return self.step_mm is not None

    @property
    def says(self) -> str:
        """Return it in words."""
        if self.lattice and self.count is None:
            what = _UNCOUNTED[self.name]
            return f"{what}, {self.step_mm:.4g} mm each: how many cannot be told"
        if self.name == "lost-steps":
            return f"{_counted(self.count, 'lost cycle')} of the motor, {self.step_mm:.4g} mm each"
        if self.name == "belt-jump":
            return (
                f"{_counted(self.count, 'tooth', 'teeth')} of the belt, {self.step_mm:.4g} mm each"
            )
        return _IN_WORDS[self.name]


_UNCOUNTED = {"lost-steps": "lost cycles of the motor", "belt-jump": "teeth of the belt"}
_IN_WORDS = {
    "motor-released": "the motor was released while it stood, and snapped to a place of rest",
    "move-not-made": "one commanded move was not made",
    "datum-moved": "the datum or the zero of the caliper moved",
    "not-listed": "lost motion that is no whole number of cycles or teeth",
}


def _counted(count: int | None, one: str, several: str | None = None) -> str:
    return f"1 {one}" if count == 1 else f"{count} {several or one + 's'}"


@dataclass(frozen=True)
class Sense:
    """What the offset can be, the likeliest first, and why a lattice was `not_tested`."""

    meanings: tuple[Meaning, ...]
    not_tested: Mapping[str, str]

    def as_json(self) -> list[dict[str, Any]]:
        """Return the meanings as plain data, the likeliest first."""
        return [
            {"name": one.name, "count": one.count, "p": one.p, "says": one.says}
            for one in self.meanings
        ]

    @property
    def near(self) -> tuple[Meaning, ...]:
        """What cannot be told apart: all but the unlikely; lattice points within 5 u of each other.

        A datum that nobody has looked at is never unlikely.
        """
        tied = sum(one.lattice for one in self.meanings) > 1
        return tuple(
            one
            for one in self.meanings
            if one.p > 1.0 - CONFIDENT or one.name == "datum-moved" or (tied and one.lattice)
        )

    @property
    def sure(self) -> Meaning | None:
        """The one thing that it is, None while anything else is left."""
        first = self.meanings[0]
        return (
            first if first.p >= CONFIDENT and len(self.near) == 1 and not self.not_tested else None
        )

    @property
    def left(self) -> tuple[str, ...]:
        """The names of all that it can still be, what was not tested among them."""
        names = [one.name for one in self.near]
        return tuple(dict.fromkeys((*names, *self.not_tested)))


@dataclass(frozen=True)
class _Likely:
    """Weight and place of one meaning: at `at_mm`, or anywhere within `within_mm` of zero."""

    name: str
    weight: float
    at_mm: float | None = None
    within_mm: float = _ANY_SIZE_MM
    count: int | None = None
    step_mm: float | None = None


def sense_of(
    offset: Offset, trains: Sequence[DriveTrain], datum_look: DatumLook | None = None
) -> Sense:
    """Return what `offset` can be on the machine that is one of `trains`.

    `trains` are the machines that the scale leaves possible, equally likely; without any there is
    no lattice. With the datum seen `unmoved` it is no moved datum; seen `moved`, it is nothing
    else.
    """
    if datum_look == "moved":
        return Sense((Meaning("datum-moved", 1.0),), {})
    not_tested: dict[str, str] = {}
    likely = [one for train in trains for one in _lattices(offset, train, not_tested)]
    likely = [_Likely(o.name, o.weight / len(trains), o.at_mm, count=o.count, step_mm=o.step_mm)
              for o in likely]  # fmt: skip
    if offset.not_made_mm is not None:
        likely.append(_Likely("move-not-made", _MOVE_NOT_MADE, offset.not_made_mm))
    if offset.released and trains:
        snap_mm = max(float(train.lost_cycle_mm) for train in trains) * _SNAP_CYCLES
        likely.append(_Likely("motor-released", _MOTOR_RELEASED, within_mm=snap_mm))
    if datum_look is None:
        likely.append(_Likely("datum-moved", _DATUM_MOVED))
    belt = bool(trains) and all(isinstance(train.drive, Belt) for train in trains)
    likely.append(_Likely("not-listed", _NOT_LISTED_BELT if belt else _NOT_LISTED))
    return Sense(_weighed(offset, likely), not_tested)


def told_from_u_mm(train: DriveTrain) -> float:
    """Return how well an offset must be known, 1 u in mm, for lost cycles to be counted."""
    return float(train.lost_cycle_mm) / _WITHIN_U


def _lattices(offset: Offset, train: DriveTrain, not_tested: dict[str, str]) -> Iterator[_Likely]:
    lattices = [("lost-steps", float(train.lost_cycle_mm), _LOST_STEPS, _LOST_STEPS_FALL)]
    if isinstance(train.drive, Belt):
        pitch_mm = float(train.drive.pitch_mm)
        lattices.append(("belt-jump", pitch_mm, _BELT_JUMP, _BELT_JUMP_FALL))
    for name, step_mm, weight, fall in lattices:
        if is_fine := step_mm < _WITHIN_U * offset.u_mm:
            not_tested[name] = (
                f"{_ONE[name]} is {step_mm:.2g} mm, too small to be told from others by "
                f"an offset known to {offset.u_mm:.2g} mm (1 u)"
            )
        if is_fine and len(lattices) == 1:
            continue
        for count in _counts(offset, step_mm, is_fine):
            # Either direction is as likely, hence the half.
            share = weight * (1.0 - fall) * fall ** (count - 1) / 2.0
            at_mm = math.copysign(count * step_mm, offset.size_mm)
            counted = None if is_fine else count
            yield _Likely(name, share, at_mm, count=counted, step_mm=step_mm)


_ONE = {"lost-steps": "a lost cycle of the motor", "belt-jump": "a tooth of the belt"}


def _counts(offset: Offset, step_mm: float, is_fine: bool) -> Iterator[int]:
    """The lattice points within 5 u of the offset: the nearest alone, unless it `is_fine`."""
    size_mm = abs(offset.size_mm)
    counts = range(1, _MOST_COUNT + 1) if is_fine else [round(size_mm / step_mm)]
    for count in counts:
        near = abs(size_mm - count * step_mm) <= _WITHIN_U * offset.u_mm
        if near and 1 <= count <= _MOST_COUNT:
            yield count


def _density(offset: Offset, one: _Likely) -> float:
    """The probability density, per mm, of the measured offset if it was that."""
    if one.at_mm is not None:
        return _t_density((offset.size_mm - one.at_mm) / offset.u_mm, offset.dof) / offset.u_mm
    beyond_u = max(0.0, (abs(offset.size_mm) - one.within_mm) / offset.u_mm)
    at_rest = _t_density(0.0, offset.dof)
    return _t_density(beyond_u, offset.dof) / at_rest / (2.0 * one.within_mm)


def _t_density(z: float, dof: float) -> float:
    """Student's density, the normal one for infinitely many degrees of freedom."""
    if math.isinf(dof):
        return math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    log_peak = math.lgamma((dof + 1) / 2) - math.lgamma(dof / 2) - 0.5 * math.log(dof * math.pi)
    return math.exp(log_peak - (dof + 1) / 2 * math.log1p(z * z / dof))


def _weighed(offset: Offset, likely: Sequence[_Likely]) -> tuple[Meaning, ...]:
    density: dict[tuple[str, int | None, float | None], float] = {}
    for one in likely:
        key = (one.name, one.count, one.step_mm)
        density[key] = density.get(key, 0.0) + one.weight * _density(offset, one)
    whole = math.fsum(density.values())
    # An offset of any size beyond all of these is still of some unlisted kind.
    found = (
        [Meaning(name, p / whole, count, step) for (name, count, step), p in density.items()]
        if whole > 0.0
        else [Meaning("not-listed", 1.0)]
    )
    found.sort(key=lambda one: (-one.p, one.name, one.count or 0))
    return tuple(one for one in found if one.p >= _WORTH_NAMING or one.lattice)
