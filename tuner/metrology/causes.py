"""What can be wrong with a scale, and how probable each cause is after the readings.

Prior over real parts x likelihood. Every hypothesis is the card with one or two things
different, and predicts a scale: the steps that the card's stored number sends x the true mm per
step of the parts. Beside them stands a continuous "no listed cause".

The rules: hypotheses that predict exactly the same scale are one class, found with exact
fractions, because no reading can tell them apart. Nothing depends on the order in which
hypotheses are listed. Weights are common practice and have no source.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from tuner.drive.parts import DriveTrain
from tuner.drive.scale import Stored, steps_per_mm
from tuner.metrology.alternatives import (
    AS_DESCRIBED,
    OFF,
    Alternative,
    Side,
    changed,
    others_of,
    parts_of,
)
from tuner.metrology.budget import Scale
from tuner.text import shown

Floats = npt.NDArray[np.float64]
Looked = Literal["confirmed", "denied"]
Changes = Mapping[str, Fraction | int | None]

# Real parts give their nominal travel to within this, one standard deviation (an assumption,
# no source).
PARTS_U_RELATIVE = 0.0004

# The continuous alternative: wear, stretch and mismeasuring within about a percent, or
# anything at all within about a factor of two.
_NOT_LISTED = 0.04
_SMALL_DEVIATION = 0.01
_ANY_DEVIATION = 0.8

# How often a person sees a suspected part where there is none, and reads exactly the suspected
# number where another stands (common practice, no source).
_SEEN_WRONGLY = 0.05
_READ_WRONGLY = 0.001

# How many of the nearest alternatives are told where nothing fits, and among how many the order
# is made sure of.
_NEAREST, _NEAREST_OF = 2, 12

# Below this a hypothesis cannot change any printed digit, and needs no exact arithmetic.
_NEGLIGIBLE = 1e-9

MOTOR_TURN = "motor-turn"
"""The look at a mark on the motor shaft: confirmed when what the controller takes for one turn of
the motor is exactly one turn."""


@dataclass(frozen=True)
class Cause:
    """One hypothesis with its probability, in words and as changes to the card.

    `name` is the leading part of it, `also` names what is different besides; two parts that
    cancel each other out are `compensating`, and both stand in `also`. `changes` are
    keys of the axis on the card, None where the scale leaves the value open. `predicted` is
    the exact scale it gives. `train` is the machine as it is if this is true. `members` are
    what differs from the card, the likelier mistake first.
    """

    name: str
    p: float
    says: str
    check: str
    side: Side
    changes: Changes
    predicted: Fraction
    train: DriveTrain
    members: tuple[Alternative, ...]
    also: tuple[str, ...] = ()

    @property
    def looks(self) -> tuple[str, ...]:
        """The keys under which a look at each member is recorded, as ``pulley-teeth=16``."""
        return tuple(one.look for one in self.members)

    @property
    def asks(self) -> tuple[str, ...]:
        """What to look at and what to answer for each of ``looks``, in the same order."""
        return tuple(f"{one.check}. {one.asks}".rstrip() for one in self.members)

    @property
    def motor_turns(self) -> Fraction:
        """How far the motor turns where the controller means one turn, if this is true."""
        return math.prod((one.turns for one in self.members), start=Fraction(1))


@dataclass(frozen=True)
class CauseClass:
    """All causes that predict exactly the same scale, the most probable first."""

    predicted: Fraction
    p: float
    causes: tuple[Cause, ...]


@dataclass(frozen=True)
class Weighed:
    """Causes and classes, the most probable first; `p_not_listed` for none of them.

    `u_relative` is the standard uncertainty that was used: readings, caliper and parts.
    `nearest` are the single alternatives whose scale lies nearest to the measured one, with
    that scale, whatever their probability: what was excluded where nothing fits.
    """

    causes: tuple[Cause, ...]
    classes: tuple[CauseClass, ...]
    p_not_listed: float
    u_relative: float
    nearest: tuple[tuple[Alternative, Fraction], ...]


def odds_in_words(p: float) -> str:
    """Return the odds of a probability `p` as people say them: ``19 to 1``, ``1 to 3``."""
    if p >= 0.999_95:
        return "more than 10000 to 1"
    if p <= 0.000_05:
        return "less than 1 to 10000"
    odds = f"{float(f'{max(p / (1.0 - p), (1.0 - p) / p):.2g}'):g}"
    return f"{odds} to 1" if p >= 0.5 else f"1 to {odds}"


# --- weighing ---------------------------------------------------------------------------


def _t_density(z: Floats, dof: float) -> Floats:
    """Student's density at `z` : (n,) float."""
    log_peak = math.lgamma((dof + 1) / 2) - math.lgamma(dof / 2) - 0.5 * math.log(dof * math.pi)
    return np.asarray(np.exp(log_peak - (dof + 1) / 2 * np.log1p(z * z / dof)))


def _not_listed_density(off: float, u: float, dof: float) -> float:
    """Density of the log ratio `off` from the card under "no listed cause", u included.

    Averages the prior over Student's distribution of the measured value. The substitution
    z = sinh(w) puts the points of the sum where both tails and the middle need them.
    """
    w = np.linspace(-12.0, 12.0, 4001)
    z = np.sinh(w)
    share = _t_density(z, dof) * np.cosh(w)
    true = np.abs(off - u * z)
    prior = 0.5 * np.exp(-true / _SMALL_DEVIATION) / (2 * _SMALL_DEVIATION) + 0.5 * np.exp(
        -0.5 * (true / _ANY_DEVIATION) ** 2
    ) / (_ANY_DEVIATION * math.sqrt(2 * math.pi))
    return float(np.sum(prior * share) / np.sum(share))


def _pairs(parts: Sequence[Alternative]) -> tuple[npt.NDArray[np.intp], ...]:
    """Indices of every two parts of different kinds, each pair once."""
    kinds = sorted({one.name for one in parts})
    kind = np.array([kinds.index(one.name) for one in parts])
    first, second = np.triu_indices(len(parts), k=1)
    wanted = kind[first] != kind[second]
    return first[wanted], second[wanted]


def _checks(members: Sequence[Alternative]) -> str:
    """How to confirm all of them, with the power-off caution once and first where it is due."""
    checks = [one.check for one in members]
    off = OFF if any(one.startswith(OFF) for one in checks) else ""
    return off + "; then ".join(one.removeprefix(OFF) for one in checks)


def _as_cause(
    members: Sequence[Alternative], p: float, given: Fraction, train: DriveTrain
) -> Cause:
    # The likelier mistake leads; names break a tie, never the order of a table.
    ordered = tuple(sorted(members, key=lambda one: (-one.weight, one.name, one.suspect)))
    sides = {one.side for one in ordered}
    names = [one.name for one in ordered]
    ratio = math.prod((one.ratio for one in ordered), start=Fraction(1))
    if ratio == 1 and len(ordered) > 1:
        names.insert(0, "compensating")
    changes = {key: value for one in ordered for key, value in one.changes.items()}
    still_open = {key for one in ordered for key in one.open_keys}
    return Cause(
        name=names[0],
        p=p,
        says="; and ".join(one.says for one in ordered),
        check=_checks(ordered),
        side=ordered[0].side if len(sides) == 1 else "several",
        changes={key: None if key in still_open else v for key, v in changes.items()},
        predicted=given * ratio,
        train=changed(train, changes),
        members=ordered,
        also=tuple(names[1:]),
    )


@dataclass(frozen=True)
class _Hypotheses:
    """All that may be the matter with one card: `singles`, then the pairs of them.

    `given` is the scale of the card itself. weights, log_ratios : (singles + pairs,) float;
    first, second : (pairs,) int, the members of each pair among the singles.
    """

    given: Fraction
    singles: tuple[Alternative, ...]
    first: npt.NDArray[np.intp]
    second: npt.NDArray[np.intp]
    weights: Floats
    log_ratios: Floats


# A session weighs the same card after every reading.
@lru_cache(maxsize=8)
def _hypotheses(train: DriveTrain, stored: Stored) -> _Hypotheses:
    given = steps_per_mm(stored, train) * train.mm_per_step
    parts = parts_of(train)
    # The parts come first, so that the indices of a pair are indices here.
    singles = (*parts, *others_of(train, stored, given, parts))
    weight = np.array([one.weight for one in singles])
    log_ratio = np.array([math.log(one.ratio) for one in singles])
    first, second = _pairs(parts)
    weights = np.concatenate([weight, weight[first] * weight[second] / AS_DESCRIBED])
    log_ratios = np.concatenate([log_ratio, log_ratio[first] + log_ratio[second]])
    return _Hypotheses(
        given=given,
        singles=singles,
        first=first,
        second=second,
        weights=weights * (1.0 - _NOT_LISTED) / math.fsum(weights),
        log_ratios=log_ratios,
    )


def _seen_wrongly(look: str, seen: Looked) -> float:
    """How probable such an outcome is where no listed cause is there.

    A motor that does not turn once speaks for a part, one that does is what everybody expects.
    """
    if seen != ("denied" if look == MOTOR_TURN else "confirmed"):
        return 1.0
    return _READ_WRONGLY if look.startswith("stored-number") else _SEEN_WRONGLY


_Member = tuple[tuple[Alternative, ...], float]


def _looked(members: Sequence[_Member], looks: Mapping[str, Looked]) -> list[_Member]:
    """Return the members that agree with what a person saw.

    A bare cause name means its leading suspect: the one in the densest of all hypotheses. The
    mark on the motor shaft is in agreement with all that turn it once, or with all that do not.
    """
    if (turned := looks.get(MOTOR_TURN)) is not None:
        members = [
            (ones, density)
            for ones, density in members
            if (math.prod(one.turns for one in ones) == 1) == (turned == "confirmed")
        ]
    leading: dict[str, tuple[float, str]] = {}
    for ones, density in members:
        for one in ones:
            leading[one.name] = max(leading.get(one.name, (0.0, "")), (density, one.look))
    seen = {
        leading[key][1] if key in leading else key: look
        for key, look in looks.items()
        if key != MOTOR_TURN
    }
    confirmed = {key for key, look in seen.items() if look == "confirmed"}
    denied = {key for key, look in seen.items() if look == "denied"}
    left = []
    for ones, density in members:
        suspects = {one.look for one in ones}
        if confirmed <= suspects and not denied & suspects:
            left.append((ones, density))
    return left


def weigh(
    scale: Scale,
    train: DriveTrain,
    stored: Stored,
    looks: Mapping[str, Looked] | None = None,
) -> Weighed:
    """Return how probable each cause is, given the measured `scale` (greater than zero).

    `looks` records what a person found on looking: ``{"pulley-teeth=16": "confirmed"}``, or
    with the bare name for the leading suspect of that name. A confirmed suspect stays in every
    remaining hypothesis, a denied one in none; seeing a suspect also counts against "no
    listed cause". ``MOTOR_TURN`` is the look at the mark on the motor shaft. Raises
    ``ValueError`` for a scale that is not positive, and for a look at something that is no
    suspect here.
    """
    if not scale.value > 0.0:
        raise ValueError(f"a scale of {scale.value:g} has no ratio to compare; expected above 0")
    possible = _hypotheses(train, stored)
    given, singles, first, second = (
        possible.given,
        possible.singles,
        possible.first,
        possible.second,
    )

    u = math.hypot(scale.u_relative, PARTS_U_RELATIVE)
    # The parts' share has no shortage of degrees of freedom (JCGM 100 G.4.1).
    dof = min(scale.dof * (u / scale.u_relative) ** 4, 1e6)
    off = math.log(scale.value) - math.log(given)
    densities = possible.weights * _t_density((off - possible.log_ratios) / u, dof) / u
    not_listed = _NOT_LISTED * _not_listed_density(off, u, dof)

    total = math.fsum(densities) + not_listed
    kept = np.flatnonzero(densities > _NEGLIGIBLE * total)
    members: list[_Member] = []
    for index in kept.tolist():
        if index < len(singles):
            ones: tuple[Alternative, ...] = (singles[index],)
        else:
            pair = index - len(singles)
            ones = (singles[first[pair]], singles[second[pair]])
        members.append((ones, float(densities[index])))

    if looks:
        known = {one.look for one in singles} | {one.name for one in singles} | {MOTOR_TURN}
        if unknown := sorted(set(looks) - known):
            raise ValueError(
                f"a look at {', '.join(map(shown, unknown))} is recorded, which is no suspect "
                "here; expected a cause of this machine, such as those that were named"
            )
        members = _looked(members, looks)
        not_listed *= math.prod(_seen_wrongly(key, look) for key, look in looks.items())
        total = math.fsum(density for _, density in members) + not_listed

    causes = sorted(
        (_as_cause(ones, density / total, given, train) for ones, density in members),
        key=lambda one: (-one.p, one.looks),
    )
    by_scale: dict[Fraction, list[Cause]] = defaultdict(list)
    for cause in causes:
        by_scale[cause.predicted].append(cause)
    classes = sorted(
        (
            CauseClass(predicted, math.fsum(one.p for one in ones), tuple(ones))
            for predicted, ones in by_scale.items()
        ),
        key=lambda one: (-one.p, one.predicted),
    )
    away = np.abs(off - possible.log_ratios[: len(singles)])
    # Equally near ones by name, never by the order of a table.
    nearest = sorted(
        ((float(away[at]), singles[at]) for at in np.argsort(away, kind="stable")[:_NEAREST_OF]),
        key=lambda one: (round(one[0], 12), -one[1].weight, one[1].look),
    )
    return Weighed(
        causes=tuple(causes),
        classes=tuple(classes),
        p_not_listed=not_listed / total,
        u_relative=u,
        nearest=tuple((one, given * one.ratio) for _, one in nearest[:_NEAREST]),
    )
