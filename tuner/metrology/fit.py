"""Least squares: where the datum is, how far the axis really goes, how much it loses on reversal.

Model: ``reading = datum + grows x scale x commanded - (play / 2) x approach + C cos(turns) +
S sin(turns) + drift x minutes + noise``, one datum per visit, approach = +1 plus, -1 minus.
Positions are read from one fixed face, so the axis need not be referenced: an unknown
origin is part of the datum, and every column is taken from its own mean in each visit.

The rule: a term that these readings cannot show is left out, named in ``not_tested``, and what
it could do to the scale is kept in ``scale_per``; an uncertainty is never smaller than
what the hand, the caliper and the number of readings allow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from tuner.errors import BadReadings
from tuner.metrology.least_squares import (
    Floats,
    least_squares,
    product,
    repeatability,
    triangle,
    what_is_left,
)
from tuner.metrology.reading import Columns, Integers, Reading, columns
from tuner.metrology.student import f_exceeded

# Hands seat a caliper again to within 0.012 to 0.05 mm, one standard deviation (common
# practice, no source). A prior in the middle of that range would promise 95 % and hold 83 %
# for the least steady hand and three readings; this one holds 94 % or more for every hand of
# that range and any number of readings (simulated), and costs a steady hand a wider interval.
_HAND_MM = 0.04
_PRIOR_DOF = 3.0
_UNSTEADY_HAND_MM = 0.05
# From here on the readings speak for themselves; the prior would only flatter a bad hand.
_ENOUGH_DOF = 6
# Five repeats show the hand itself, and need no assumption about hands.
_ENOUGH_REPEAT_DOF = 4
# A column explained to more than nine tenths by the others (a variance inflation above
# ten, common practice) cannot be told from them.
_SEPARABLE = 0.1
_SAME_PLACE = 1e-9
_PRACTICALLY_KNOWN_DOF = 1e6


@dataclass(frozen=True)
class Periodic:
    """A rise and fall that repeats every `period_turns` turns of the output shaft.

    `amplitude_mm` is half of top to bottom; `u_mm` its standard uncertainty in the least
    favourable phase.
    """

    amplitude_mm: float
    u_mm: float
    period_turns: float


@dataclass(frozen=True)
class Fit:
    """What the readings say, before the caliper's own error is added.

    `u_scale`, `u_play_mm` and the others are standard uncertainties with `dof` degrees of
    freedom; `play_mm`, `periodic` and `drift_mm_per_min` are None when not tested, and
    `not_tested` says why. `datums_mm` holds one datum per visit, the reading at commanded
    zero. `residuals_mm` and `leverage` : (n,) float in the order of the readings.
    `terms` names the rows and columns of `covariance` : (p, p) float. `own_dof` = n - p
    counts what is left of these readings alone to notice a mistake with. `span_mm` is
    the longest measured distance within one visit. `adequate` is false when the
    readings scatter more than their repeats, or more than an unsteady hand, explain (1 %
    test). `scale_per` says, with the keys of `not_tested`, by how much the scale may be wrong,
    either way, for each mm of play, mm of amplitude or mm per minute of drift left out.
    """

    n: int
    scale: float
    u_scale: float
    dof: float
    play_mm: float | None
    u_play_mm: float | None
    periodic: Periodic | None
    drift_mm_per_min: float | None
    u_drift_mm_per_min: float | None
    datums_mm: dict[int, float]
    residuals_mm: Floats = field(repr=False)
    leverage: Floats = field(repr=False)
    s_mm: float
    resolution_mm: float
    terms: tuple[str, ...]
    covariance: Floats = field(repr=False)
    own_dof: int
    span_mm: float
    adequate: bool
    scale_per: dict[str, float]
    not_tested: dict[str, str]


# --- noise --------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Noise:
    s_mm: float
    dof: float
    adequate: bool


def _noise(
    rss_mm2: float, own_dof: int, repeats: Sequence[Sequence[float]], resolution_mm: float
) -> _Noise:
    """Pool residuals and repeats; with few of both, lean on what hands and calipers usually do.

    The prior is a scaled inverse chi square: it counts as `_PRIOR_DOF` further readings that
    scatter as hands do. Nothing scatters less than the rounding of the display (step /
    sqrt(12), JCGM 100 F.2.2.1).
    """
    rounding_mm2 = resolution_mm**2 / 12.0
    s_repeats_mm, repeat_dof = repeatability(repeats)
    if repeat_dof:
        expected_mm2, expected_dof = max(s_repeats_mm**2, rounding_mm2), float(repeat_dof)
    else:
        expected_mm2 = _UNSTEADY_HAND_MM**2 + rounding_mm2
        expected_dof = _PRACTICALLY_KNOWN_DOF
    adequate = not own_dof or (
        rss_mm2 <= 0.0
        or f_exceeded(rss_mm2 / own_dof / expected_mm2, own_dof, expected_dof) >= 0.01
    )
    ss_mm2 = rss_mm2 + repeat_dof * s_repeats_mm**2
    dof = float(own_dof + repeat_dof)
    if dof < _ENOUGH_DOF and repeat_dof < _ENOUGH_REPEAT_DOF:
        ss_mm2 += _PRIOR_DOF * (_HAND_MM**2 + rounding_mm2)
        dof += _PRIOR_DOF
    return _Noise(s_mm=math.sqrt(max(ss_mm2 / dof, rounding_mm2)), dof=dof, adequate=adequate)


# --- the table of columns -----------------------------------------------------------------


class _Visits:
    """The readings by visit, and columns taken from their (weighted) mean in each of them."""

    def __init__(self, visit: Integers, weights: Floats | None) -> None:
        self._of: Integers | None = None  # a single visit needs no sorting by visit
        self.names = visit[:1]
        if np.any(visit != visit[0]):
            self.names, self._of = np.unique(visit, return_inverse=True)
        self._weights = weights
        self.total = self._sums(np.ones(len(visit)))

    def _sums(self, column: Floats) -> Floats:
        weighted = column if self._weights is None else column * self._weights
        if self._of is None:
            return np.atleast_1d(weighted.sum())
        return np.bincount(self._of, weighted).astype(float)

    def spread(self, of_visits: Floats) -> Floats:
        """Return one value a visit as one value a reading, ready for broadcasting."""
        return of_visits if self._of is None else of_visits[self._of]

    def centred(self, column: Floats) -> tuple[Floats, Floats]:
        """Return `column` : (n,) less its mean in each visit, and those means : (visits,).

        Twice, so that the digits of a small spread far from zero are kept.
        """
        means = self._sums(column) / self.total
        near = column - self.spread(means)
        correction = self._sums(near) / self.total
        near -= self.spread(correction)
        return near, means + correction

    def longest_mm(self, values_mm: Floats) -> float:
        """Return the longest distance between two of `values_mm` : (n,) in one visit."""
        if self._of is None:
            return float(np.ptp(values_mm))
        order = np.argsort(self._of, kind="stable")
        starts = np.searchsorted(self._of[order], np.arange(len(self.names)))
        sorted_mm = values_mm[order]
        spans = np.maximum.reduceat(sorted_mm, starts) - np.minimum.reduceat(sorted_mm, starts)
        return float(spans.max())


@dataclass
class _Terms:
    """Which combinations of the candidate columns make up the model.

    `small` : (r, m) float is the triangle of all candidates; `mix` : (m, k) float says how
    the k terms taken so far are made of them; `spare` counts readings left to spend on terms.
    """

    small: Floats
    weight: float
    spare: int
    names: list[str]
    mix: Floats
    left_out: dict[str, list[int]]
    why: dict[str, str]

    def take(self, name: str, mix: Floats) -> None:
        self.names.append(name)
        self.mix = np.column_stack([self.mix, mix])
        self.spare -= 1

    def leave(self, key: str, why: str, candidates: list[int]) -> None:
        self.why[key] = why
        self.left_out[key] = candidates

    def unit(self, candidate: int) -> Floats:
        return np.asarray(np.eye(self.small.shape[1])[candidate])

    def offer(self, key: str, name: str, candidate: int, tied: str) -> None:
        """Take one column if there are readings to spare and it can be told from the others."""
        column = self.small[:, candidate]
        size = float(column @ column)
        left = what_is_left(self.small @ self.mix, column)
        if self.spare < 1:
            self.leave(key, f"too few readings to tell {name} from noise", [candidate])
        elif size <= _SAME_PLACE * self.weight or float(left @ left) < _SEPARABLE * size:
            self.leave(key, tied, [candidate])
        else:
            self.take(name, self.unit(candidate))

    def offer_periodic(self, candidates: list[int]) -> bool:
        """Take what the readings show of cosine and sine; return whether that is both.

        Where they show one phase only, that phase becomes a term: it then harms neither the scale
        nor the noise, though an amplitude cannot be told from it. What is left of a phase beside
        the scale is held against half the readings, the mean square of a cosine: the variance
        inflation of the scale then stays below twenty.
        """
        left = what_is_left(self.small @ self.mix, self.small[:, candidates])
        strength, phases = np.linalg.eigh(left.T @ left)
        seen = [one for one in (1, 0) if strength[one] >= _SEPARABLE * self.weight / 2.0]
        if len(seen) == 2 and self.spare >= 2:
            for name, candidate in zip(("cos", "sin"), candidates, strict=True):
                self.take(name, self.unit(candidate))
            return True
        why = "the readings show one phase of the turn only"
        if not seen:
            why = "the readings stand too much at one place of the turn"
        elif self.spare < len(seen):
            why = "too few readings to tell it from noise"
        else:
            cos, sin = phases[:, seen[0]]
            self.take("periodic", cos * self.unit(candidates[0]) + sin * self.unit(candidates[1]))
        self.leave("periodic", why, candidates)
        return False


def _why_no_play(data: Columns) -> str | None:
    if not bool(np.all(data.side)):
        return "not every reading says from which side the axis arrived"
    if float(np.ptp(data.side)) == 0.0:
        return "all readings arrived from the same side"
    return None


def _checked_weights(weights: Sequence[float] | Floats | None, n: int) -> Floats | None:
    if weights is None:
        return None
    checked = np.asarray(weights, dtype=float)
    if checked.shape != (n,) or not bool(np.all(np.isfinite(checked) & (checked > 0.0))):
        raise BadReadings(
            f"weights for {n} readings; expected one number above 0 a reading; leave a reading "
            "out instead of giving it no weight"
        )
    return checked


def fit(
    readings: Sequence[Reading] | Columns,
    *,
    grows: Literal[1, -1],
    resolution_mm: float,
    repeats: Sequence[Sequence[float]] = (),
    turn_mm: float | None = None,
    period_turns: float = 1.0,
    jumps: Sequence[int] = (),
    weights: Sequence[float] | Floats | None = None,
) -> Fit:
    """Fit datum, scale, play, one period and drift to `readings`, all in mm, by least squares.

    `grows` is +1 when the reading grows in the plus direction of the axis, else -1. `repeats`
    are groups of re-seated readings of one unmoved place, each of at least two. `turn_mm` is the
    commanded way of one turn of the output shaft, counted from steps; without it no
    rise and fall is looked for. `period_turns` is the period to look for, in such turns. `jumps`
    are the rows, from 0, before which the readings step by something that stays: each is a term
    ``jump N``, N the reading after it counted from 1, so that it does not touch the scale.
    `weights` : (n,) float, inverse variances relative to a usual reading.
    Noise: ``s2 = (RSS + SS of repeats) / (n - p + k - 1)``, with a prior below six degrees of
    freedom unless five repeats show the hand.

    Raises ``BadReadings`` for readings that cannot show a scale: fewer than two, or all at
    one commanded place within each visit.
    """
    data = columns(readings)
    n = len(data)
    if n < 2:
        raise BadReadings(
            f"{n} reading{'s' * (n != 1)}; a scale needs at least two, at different places; "
            "take readings near and far from the datum"
        )
    if any(len(one) < 2 for one in repeats):
        raise BadReadings(
            "a group of repeats with a single value; expected at least two readings of the same "
            "place; leave it out or read once more"
        )
    checked = _checked_weights(weights, n)
    visits = _Visits(data.visit, checked)
    candidates: dict[str, Floats] = {"scale": grows * data.commanded_mm}
    not_tested: dict[str, str] = {}
    no_play = _why_no_play(data)
    candidates["play"] = -0.5 * data.side
    if turn_mm is None:
        not_tested["periodic"] = "it is not known how far one turn goes"
    else:
        angle = (2.0 * math.pi / (turn_mm * period_turns)) * data.commanded_mm
        candidates |= {"cos": np.cos(angle), "sin": np.sin(angle)}
    if data.time_s is None:
        not_tested["drift_mm_per_min"] = "no times given"
    else:
        candidates["drift"] = data.time_s / 60.0
    steps = [f"jump {row + 1}" for row in jumps]
    for name, row in zip(steps, jumps, strict=True):
        after = (data.visit == data.visit[row]) & (np.arange(n) >= row)
        candidates[name] = np.asarray(after, dtype=float)

    names = list(candidates)
    # One table of all candidates with the readings as its last column.
    table = np.empty((n, len(names) + 1))
    means = np.empty((len(visits.names), len(names) + 1))
    for at, column in enumerate((*candidates.values(), data.reading_mm)):
        table[:, at], means[:, at] = visits.centred(column)
    farthest_mm = float(np.max(np.abs(data.commanded_mm)))
    if float(np.max(np.abs(table[:, 0]))) <= _SAME_PLACE * max(1.0, farthest_mm):
        raise BadReadings(
            f"all {n} readings of a visit were taken at one commanded place; a scale needs two "
            "different places; take readings near and far from the datum"
        )
    if checked is not None:
        table *= np.sqrt(checked)[:, None]
    small = triangle(table)
    terms = _Terms(
        small=small[:, :-1],
        weight=float(visits.total.sum()),
        spare=n - len(visits.names) - 2,
        names=["scale"],
        mix=np.eye(len(names))[:, :1],
        left_out={},
        why=not_tested,
    )
    for name in steps:
        terms.take(name, terms.unit(names.index(name)))
    if no_play is None:
        tied = "the side of arrival changes only together with the position"
        terms.offer("play_mm", "play", names.index("play"), tied)
    else:
        terms.leave("play_mm", no_play, [names.index("play")])
    seen = "cos" in names and terms.offer_periodic([names.index("cos"), names.index("sin")])
    if "drift" in names:
        tied = "time goes on only together with the position"
        terms.offer("drift_mm_per_min", "drift", names.index("drift"), tied)

    # What follows happens in the small triangle, and comes back to the readings at the end.
    design = terms.small @ terms.mix
    solution = least_squares(design, small[:, -1])
    beta, root = solution.beta, solution.root
    back = np.vstack([terms.mix @ np.column_stack([-beta, root]), np.eye(1, len(beta) + 1)])
    images = product(table, back)
    residuals, reach = images[:, 0].copy(), images[:, 1:]
    own_dof = n - len(visits.names) - len(terms.names)
    noise = _noise(float(residuals @ residuals), own_dof, repeats, resolution_mm)
    shares = visits.spread(1.0 / visits.total) * (1.0 if checked is None else checked)
    leverage = shares + np.einsum("ij,ij->i", reach, reach)
    if checked is not None:
        residuals /= np.sqrt(checked)

    slopes = noise.s_mm**2 * (root @ root.T)
    at_zero = means[:, :-1] @ terms.mix
    datums_mm = means[:, -1] - at_zero @ beta
    across = -at_zero @ slopes
    covariance = np.block(
        [
            [
                np.diag(noise.s_mm**2 / visits.total) + at_zero @ slopes @ at_zero.T,
                across,
            ],
            [across.T, slopes],
        ]
    )
    u = np.sqrt(np.diag(slopes))

    def estimate(name: str) -> tuple[float, float] | tuple[None, None]:
        if name not in terms.names:
            return None, None
        row = terms.names.index(name)
        return float(beta[row]), float(u[row])

    play_mm, u_play_mm = estimate("play")
    drift, u_drift = estimate("drift")
    periodic = None
    if seen:
        rows = slice(terms.names.index("cos"), terms.names.index("cos") + 2)
        periodic = Periodic(
            amplitude_mm=float(np.hypot(*beta[rows])),
            u_mm=math.sqrt(float(np.linalg.eigvalsh(slopes[rows, rows])[-1])),
            period_turns=period_turns,
        )
    return Fit(
        n=n,
        scale=float(beta[0]),
        u_scale=float(u[0]),
        dof=noise.dof,
        play_mm=play_mm,
        u_play_mm=u_play_mm,
        periodic=periodic,
        drift_mm_per_min=drift,
        u_drift_mm_per_min=u_drift,
        datums_mm=dict(zip(map(int, visits.names), map(float, datums_mm), strict=True)),
        residuals_mm=residuals,
        leverage=leverage,
        s_mm=noise.s_mm,
        resolution_mm=resolution_mm,
        terms=(*(f"datum {visit}" for visit in visits.names), *terms.names),
        covariance=covariance,
        own_dof=own_dof,
        span_mm=visits.longest_mm(data.reading_mm),
        adequate=noise.adequate,
        scale_per={
            key: float(
                np.hypot.reduce(
                    [least_squares(design, terms.small[:, one]).beta[0] for one in left_out]
                )
            )
            for key, left_out in terms.left_out.items()
        },
        not_tested=not_tested,
    )
