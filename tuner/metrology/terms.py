"""What a reading is made of, and how large each term usually is, for few and doubtful readings.

The terms are those of ``fit``. Datum and scale may be anything; play, a rise and fall and drift are
held to their usual size by one further reading each, so that every term has a value, however
many readings are left out or stand in doubt.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tuner.metrology.least_squares import Floats, repeatability
from tuner.metrology.reading import Columns, Integers, visits_in

__all__ = ["Hand", "Model", "usual_hand"]

# What hands do: 0.025 mm, known as from five repeats; between the 0.012 and 0.05 of steady and
# unsteady ones (common practice, no source).
_HAND_MM = 0.025
_HAND_DOF = 4.0
# What axes do, one standard deviation (common practice, no source). Without this a large rise and
# fall once per turn could excuse any misread quarter turn. Datum and scale may be anything.
_ANYTHING_MM = 1e4
_NO_REACH_MM = 1e-9
_PLAY_MM = 0.5
_PERIODIC_MM = 0.1
_DRIFT_MM_PER_MIN = 0.02
# The same in a machine with nothing wrong (common practice, no source).
_SOUND_MM = 0.03
_SOUND_MM_PER_MIN = 0.002


@dataclass(frozen=True)
class Hand:
    """What a reading scatters by, in mm, and how many degrees of freedom that is known with."""

    s_mm: float
    dof: float


def usual_hand(repeats: Sequence[Sequence[float]], resolution_mm: float) -> Hand:
    """Return what a hand scatters by: its `repeats` of one place, pooled with what is usual."""
    s_mm, dof = repeatability(repeats)
    if dof:
        s_mm = math.sqrt((dof * s_mm**2 + _HAND_DOF * _HAND_MM**2) / (dof + _HAND_DOF))
    else:
        s_mm = _HAND_MM
    return Hand(math.hypot(s_mm, resolution_mm / math.sqrt(12.0)), dof + _HAND_DOF)


@dataclass(frozen=True)
class Model:
    """The terms of the fit, seen from the middle of these readings.

    `periodic_mm` and `drift_mm_per_min` are how large those two usually are.
    """

    grows: int
    turn_mm: float | None
    visits: Integers
    centre_mm: float
    reach_mm: float
    start_s: float | None
    periodic_mm: float = _PERIODIC_MM
    drift_mm_per_min: float = _DRIFT_MM_PER_MIN

    @classmethod
    def of(cls, data: Columns, grows: int, turn_mm: float | None) -> Model:
        """Return the terms that may be in `data`, which has at least one reading."""
        low_mm, high_mm = float(data.commanded_mm.min()), float(data.commanded_mm.max())
        return cls(
            grows=grows,
            turn_mm=turn_mm,
            visits=visits_in(data.visit),
            centre_mm=(low_mm + high_mm) / 2.0,
            reach_mm=max((high_mm - low_mm) / 2.0, _NO_REACH_MM),
            start_s=None if data.time_s is None else float(data.time_s.mean()),
        )

    def of_a_sound_machine(self) -> Model:
        """Return these terms as large as they are where nothing is wrong."""
        return replace(self, periodic_mm=_SOUND_MM, drift_mm_per_min=_SOUND_MM_PER_MIN)

    @property
    def free(self) -> int:
        """How many terms may be anything: one datum a visit, and the scale over half the reach."""
        return len(self.visits) + 1

    def table(self, data: Columns) -> Floats:
        """Return what each term is at each of the readings : (n, p)."""
        terms = [*(np.asarray(data.visit == one, dtype=float) for one in self.visits)]
        terms.append(self.grows / self.reach_mm * (data.commanded_mm - self.centre_mm))
        terms.append(-0.5 * data.side)
        if self.turn_mm is not None:
            angle = 2.0 * math.pi / self.turn_mm * data.commanded_mm
            terms += [np.cos(angle), np.sin(angle)]
        if self.start_s is not None and data.time_s is not None:
            terms.append((data.time_s - self.start_s) / 60.0)
        return np.column_stack(terms)

    def usual(self, s_mm: float) -> Floats:
        """Return further rows of the table that hold each term to its usual size : (p, p).

        For readings that scatter by `s_mm`: a term of size t is one more reading of 0 = term, with
        weight (s / t)^2. With them every term has a value, whatever is left out.
        """
        sizes_mm = [_ANYTHING_MM] * self.free + [_PLAY_MM]
        sizes_mm += [self.periodic_mm] * 2 if self.turn_mm is not None else []
        sizes_mm += [self.drift_mm_per_min] if self.start_s is not None else []
        return np.asarray(np.diag(s_mm / np.array(sizes_mm)))

    def evidence(self, table: Floats, sizes: Floats, y_mm: Floats, hand: Hand) -> float:
        """Return how well `table` : (n, p) accounts for `y_mm` : (n,), as a log probability.

        Its terms, of usual size or, beyond those of the model, of `sizes` : (k,), and the scatter
        are integrated out; up to a constant that tables of the same readings share.
        """
        known = self.usual(hand.s_mm)
        further = np.diag(hand.s_mm / sizes)
        usual = np.block(
            [
                [known, np.zeros((len(known), len(further)))],
                [np.zeros((len(further), len(known))), further],
            ]
        )
        whole = np.vstack([table, usual])
        y = np.append(y_mm, np.zeros(len(usual)))
        r = np.abs(np.diag(np.linalg.qr(np.column_stack([whole, y]), mode="r")))
        dof = hand.dof + len(y_mm) - self.free
        return float(
            np.sum(np.log(np.diag(usual)))
            - np.sum(np.log(r[:-1]))
            - dof / 2.0 * math.log(hand.dof * hand.s_mm**2 + r[-1] ** 2)
        )
