"""Which readings look misread, what should have been there, and what the slip may have been.

Up to twenty readings every small set of suspects is tried (one reading, two, three, four), two
readings that changed places, and a stretch read in inch; each gets its probability. Above twenty
the half of the readings that agree best is found (least trimmed squares, Rousseeuw 1984) and
the others are held against it.

The rule: a reading is pointed at only when it lies more than five standard deviations from
where the others put it, and then it is asked for again. Nothing is dropped, nothing is converted.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from statistics import NormalDist
from typing import Literal

import numpy as np

from tuner.metrology.least_squares import Floats, least_squares, product
from tuner.metrology.reading import Columns, Integers, Reading, columns, visits_in
from tuner.metrology.terms import Hand, Model, usual_hand

_FEWEST = 4
_ENUMERATED = 20
_MOST_SUSPECTS = 4
_MM_PER_INCH = 25.4
_POINTED_AT_SIGMAS = 5.0
# One that may be it, among several between which the readings do not decide.
_POINTED_AT_P = 0.2

# What people do (assumptions, no source): one reading in twenty-five is misread, by anything up
# to 10 mm either way; one table in fifty has two readings exchanged, or a stretch in inch.
_P_MISREAD = 0.04
_MISREAD_WITHIN_MM = 10.0
_P_EXCHANGED = 0.02
_P_INCH = 0.02

# Least trimmed squares: this many random starts, on at most so many of the readings. A start of
# three readings is clean in a third of all cases even when three in ten are misread.
_STARTS = 30
_SAMPLE = 500
_FIRST_STEPS = 2
_LAST_STEPS = 20
_SEED = 1984
_BLOCK = 50_000
# Tables of more visits than this are screened visit by visit.
_VISITS_TOGETHER = 20


@dataclass(frozen=True)
class Suspect:
    """One reading to take again; `row` counts readings from 1 in the order given.

    `expected_mm` is where the others put it, give or take the standard deviation `u_mm` of
    one reading there. `p` is the probability that it was misread, None where it was not
    computed (more than twenty readings). `looks_like` says what the slip may have been,
    None when nothing usual fits. `exchanged_with` is the row of the reading it changed places with.
    """

    row: int
    commanded_mm: float
    reading_mm: float
    expected_mm: float
    u_mm: float
    p: float | None
    looks_like: str | None
    exchanged_with: int | None = None


def screen(
    readings: Sequence[Reading] | Columns,
    *,
    grows: Literal[1, -1],
    resolution_mm: float,
    repeats: Sequence[Sequence[float]] = (),
    turn_mm: float | None = None,
) -> tuple[Suspect, ...]:
    """Return the readings that look misread, in their order; the arguments are those of ``fit``.

    Readings too few to contradict each other (fewer than four) give no suspects. Several suspects
    may stand for one slip where the readings do not decide between them; their `p` then says so.
    """
    data = columns(readings)
    if len(data) < _FEWEST:
        return ()
    visits = visits_in(data.visit)
    if len(visits) > _VISITS_TOGETHER:
        found = []
        for visit in visits:
            rows = np.flatnonzero(data.visit == visit)
            alone = screen(
                data.only(rows),
                grows=grows,
                resolution_mm=resolution_mm,
                repeats=repeats,
                turn_mm=turn_mm,
            )
            found += [_renumbered(one, rows) for one in alone]
        return tuple(sorted(found, key=lambda one: one.row))
    model = Model.of(data, grows, turn_mm)
    hand = usual_hand(repeats, resolution_mm)
    if len(data) < model.free + 2:
        return ()
    if len(data) > _ENUMERATED:
        return _trimmed(data, model, hand, resolution_mm)
    return _enumerated(data, model, hand, resolution_mm)


def _renumbered(one: Suspect, rows: Integers) -> Suspect:
    other = one.exchanged_with
    if other is not None:
        other = int(rows[other - 1]) + 1
    return replace(one, row=int(rows[one.row - 1]) + 1, exchanged_with=other)


# --- up to twenty readings ----------------------------------------------------------------


class _Hypotheses:
    """What may be wrong with a few readings, each with its prior and its likelihood.

    Datum, scale and scatter are integrated out. None of it needs a new fit. With residuals e and
    M = I - hat matrix, leaving out a set S lowers RSS by ``e_S' inv(M_SS) e_S`` and the
    determinant by ``det M_SS``; other values y + d raise it by ``2 d'e + d'Md``.
    """

    def __init__(self, data: Columns, model: Model, hand: Hand) -> None:
        n = len(data)
        q, _ = np.linalg.qr(np.vstack([model.table(data), model.usual(hand.s_mm)]))
        y = data.reading_mm - data.reading_mm.mean()
        self._left = np.eye(n) - q[:n] @ q[:n].T
        self._residuals = self._left @ y
        self._rss = float(y @ self._residuals)
        self._spare = n - model.free
        self._hand = hand
        # Which rows each hypothesis holds wrong : (h, n), what it holds, and its weight.
        self._wrong = [np.zeros((1, n), dtype=bool)]
        self._kinds = ["none"]
        self._log: list[float] = [float(self._likelihood(np.array(self._rss), 0))]
        for size in range(1, min(_MOST_SUSPECTS, self._spare - 1) + 1):
            self._misread(np.array(list(combinations(range(n), size))))
        pairs = math.log(2.0 / n / (n - 1))
        for change_mm in _exchanges(data, _POINTED_AT_SIGMAS * hand.s_mm):
            self._changed("exchanged", change_mm, math.log(_P_EXCHANGED) + pairs)
        for change_mm in _stretches_in_inch(data):
            self._changed("inch", change_mm, math.log(_P_INCH) + pairs)
        likely = np.exp(np.array(self._log) - max(self._log))
        self._p = likely / likely.sum()

    def _likelihood(self, rss_mm2: Floats, gone: int) -> Floats:
        """Its logarithm, up to a constant; a reading that is gone may have been anything."""
        dof = self._hand.dof + self._spare - gone
        known_mm2 = self._hand.dof * self._hand.s_mm**2
        return np.asarray(
            math.lgamma(dof / 2.0)
            - dof / 2.0 * np.log((known_mm2 + np.maximum(rss_mm2, 0.0)) * math.pi)
            - gone * math.log(2.0 * _MISREAD_WITHIN_MM)
        )

    def _misread(self, sets: Integers) -> None:
        block = self._left[sets[:, :, None], sets[:, None, :]]
        determinant = np.linalg.det(block)
        told = determinant > 1e-9  # else the others say nothing about one of them
        sets, block, determinant = sets[told], block[told], determinant[told]
        e = self._residuals[sets]
        drop = np.einsum("ij,ij->i", e, np.linalg.solve(block, e[:, :, None])[:, :, 0])
        gone = sets.shape[1]
        log = self._likelihood(self._rss - drop, gone) - 0.5 * np.log(determinant)
        log += gone * math.log(_P_MISREAD / (1.0 - _P_MISREAD))
        wrong = np.zeros((len(sets), len(self._residuals)), dtype=bool)
        np.put_along_axis(wrong, sets, True, axis=1)
        self._wrong.append(wrong)
        self._kinds += ["misread"] * len(sets)
        self._log += log.tolist()

    def _changed(self, kind: str, change_mm: Floats, log_prior: float) -> None:
        rss = self._rss + 2.0 * float(change_mm @ self._residuals)
        rss += float(change_mm @ self._left @ change_mm)
        self._wrong.append(change_mm[None, :] != 0.0)
        self._kinds.append(kind)
        self._log.append(float(self._likelihood(np.array(rss), 0)) + log_prior)

    def suspected(self) -> Iterator[tuple[int, float, str, Integers]]:
        """Give each row that is likely enough wrong, how likely, and its likeliest hypothesis.

        That is its kind and the rows : (k,) it holds wrong.
        """
        wrong = np.vstack(self._wrong)
        p_of_row = self._p @ wrong
        for row in np.flatnonzero(p_of_row >= _POINTED_AT_P):
            best = int(np.argmax(self._p * wrong[:, row]))
            yield int(row), float(p_of_row[row]), self._kinds[best], np.flatnonzero(wrong[best])


def _enumerated(
    data: Columns, model: Model, hand: Hand, resolution_mm: float
) -> tuple[Suspect, ...]:
    suspects = []
    for row, p, kind, rows in _Hypotheses(data, model, hand).suspected():
        expected_mm, u_mm = _predicted(data, model, hand, rows, row)
        other = int(rows[0] if row == rows[1] else rows[1]) if kind == "exchanged" else None
        suspect = _pointed_at(data, row, expected_mm, u_mm, p, resolution_mm, other)
        suspects += [] if suspect is None else [suspect]
    return tuple(suspects)


def _pointed_at(
    data: Columns,
    row: int,
    expected_mm: float,
    u_mm: float,
    p: float | None,
    resolution_mm: float,
    exchanged_with: int | None = None,
) -> Suspect | None:
    reading_mm = float(data.reading_mm[row])
    if abs(reading_mm - expected_mm) <= _POINTED_AT_SIGMAS * u_mm:
        return None
    if exchanged_with is None:
        looks_like = _slip(reading_mm, expected_mm, u_mm, resolution_mm)
    else:
        looks_like = f"exchanged with reading {exchanged_with + 1}"
    return Suspect(
        row=row + 1,
        commanded_mm=float(data.commanded_mm[row]),
        reading_mm=reading_mm,
        expected_mm=expected_mm,
        u_mm=u_mm,
        p=p,
        looks_like=looks_like,
        exchanged_with=None if exchanged_with is None else exchanged_with + 1,
    )


def _exchanges(data: Columns, least_mm: float) -> Iterator[Floats]:
    """Give, for every two readings that may have changed places, what that does to all : (n,)."""
    for i, j in combinations(range(len(data)), 2):
        change_mm = np.zeros(len(data))
        change_mm[i] = data.reading_mm[j] - data.reading_mm[i]
        change_mm[j] = -change_mm[i]
        if abs(change_mm[i]) > least_mm:
            yield change_mm


def _stretches_in_inch(data: Columns) -> Iterator[Floats]:
    """Give, for every stretch that may have been read in inch, what that does to all : (n,).

    Not for all readings together: that is a matter of the scale, not of a slip.
    """
    n = len(data)
    for first, last in combinations(range(n + 1), 2):
        if last - first < n:
            change_mm = np.zeros(n)
            change_mm[first:last] = data.reading_mm[first:last] * (_MM_PER_INCH - 1.0)
            yield change_mm


def _predicted(
    data: Columns, model: Model, hand: Hand, without: Integers, row: int
) -> tuple[float, float]:
    """Return what the readings other than `without` say of `row`: its value, u of a reading."""
    kept = np.setdiff1d(np.arange(len(data)), without)
    table = model.table(data)
    said = _Said.by(table[kept], data.reading_mm[kept], model, hand)
    return float(table[row] @ said.beta) + said.level_mm, said.u_mm(table[row])


@dataclass(frozen=True)
class _Said:
    """What some readings say about others: terms from `level_mm`, their root, the scatter."""

    level_mm: float
    beta: Floats
    root: Floats
    s_mm: float

    @classmethod
    def by(cls, table: Floats, reading_mm: Floats, model: Model, hand: Hand) -> _Said:
        level_mm = float(np.median(reading_mm))
        usual = model.usual(hand.s_mm)
        whole = np.vstack([table, usual])
        y_mm = np.append(reading_mm - level_mm, np.zeros(len(usual)))
        solution = least_squares(whole, y_mm)
        rss = float(np.sum((y_mm - whole @ solution.beta) ** 2))
        dof = hand.dof + len(table) - model.free
        s_mm = math.sqrt((hand.dof * hand.s_mm**2 + rss) / dof)
        return cls(level_mm, solution.beta, solution.root, s_mm)

    def u_mm(self, here: Floats) -> float:
        """Return the standard deviation of one reading taken `here` : (p,)."""
        return self.s_mm * math.sqrt(1.0 + float(np.sum((here @ self.root) ** 2)))


# --- more than twenty ---------------------------------------------------------------------


def _trimmed(data: Columns, model: Model, hand: Hand, resolution_mm: float) -> tuple[Suspect, ...]:
    """Hold every reading against the half that agrees best.

    That half is looked for in a sample spread over the whole table. Among very many readings some
    lie beyond five standard deviations by chance: the limit grows so that one such table in a
    hundred points at a good reading.
    """
    n = len(data)
    spread_out = np.unique(np.linspace(0, n - 1, min(n, _SAMPLE)).astype(np.int64))
    sample = data.only(spread_out)
    table = model.table(sample)
    y_mm = sample.reading_mm - float(np.median(sample.reading_mm))
    beta = _best_half(table, y_mm, model.usual(hand.s_mm), start=model.free + 1)
    off_mm = np.abs(y_mm - table @ beta)
    # The median of |normal| is 0.6745 standard deviations.
    s_mm = max(hand.s_mm, float(np.median(off_mm)) / 0.6745)
    kept = off_mm <= _POINTED_AT_SIGMAS * s_mm
    said = _Said.by(table[kept], sample.reading_mm[kept], model, hand)
    limit = max(_POINTED_AT_SIGMAS, NormalDist().inv_cdf(1.0 - 0.005 / n))
    suspects = []
    for first in range(0, n, _BLOCK):
        block = data.only(np.arange(first, min(first + _BLOCK, n)))
        table = model.table(block)
        expected_mm = product(table, said.beta[:, None])[:, 0] + said.level_mm
        for at in np.flatnonzero(np.abs(block.reading_mm - expected_mm) > limit * said.s_mm):
            suspect = _pointed_at(
                data,
                first + int(at),
                float(expected_mm[at]),
                said.u_mm(table[at]),
                None,
                resolution_mm,
            )
            suspects += [] if suspect is None else [suspect]
    return tuple(suspects)


def _best_half(table: Floats, y_mm: Floats, usual: Floats, start: int) -> Floats:
    """Return the terms : (p,) of least trimmed squares, by concentration from random starts.

    Each start takes as many readings as `start`; each step fits the half that lies nearest. The
    best start goes on until its half no longer changes (Rousseeuw and Van Driessen 2006).
    """
    n, p = table.shape
    half = (n + p + 1) // 2
    random = np.random.default_rng(_SEED)

    def solved(rows: Integers) -> Floats:
        return least_squares(
            np.vstack([table[rows], usual]), np.concatenate([y_mm[rows], np.zeros(p)])
        ).beta

    def nearest(beta: Floats) -> tuple[Integers, float]:
        off_mm = np.abs(y_mm - table @ beta)
        rows = np.argpartition(off_mm, half - 1)[:half]
        return rows, float(np.sum(off_mm[rows] ** 2))

    best: tuple[float, Integers] = (math.inf, np.arange(n))
    for _ in range(_STARTS):
        rows = random.choice(n, size=start, replace=False)
        for _ in range(_FIRST_STEPS):
            rows, size = nearest(solved(rows))
        if size < best[0]:
            best = (size, rows)
    rows = best[1]
    for _ in range(_LAST_STEPS):
        rows, _ = nearest(solved(rows))
    return solved(rows)


# --- what a slip looks like ---------------------------------------------------------------


def _slip(reading_mm: float, expected_mm: float, u_mm: float, resolution_mm: float) -> str | None:
    """Return in words what may have been read or typed wrongly, nearest to what was expected."""
    within_mm = _POINTED_AT_SIGMAS * u_mm
    meant = [
        (abs(value - expected_mm), says)
        for value, says in _slips(reading_mm, resolution_mm)
        if abs(value - expected_mm) <= within_mm
    ]
    return min(meant)[1] if meant else None


def _slips(reading_mm: float, resolution_mm: float) -> Iterator[tuple[float, str]]:
    inch = reading_mm * _MM_PER_INCH
    yield inch, f"read in inch: {reading_mm:g} in are {inch:.2f} mm"
    for factor in (10.0, 0.1, 100.0, 0.01):
        meant = reading_mm * factor
        yield meant, f"the decimal point: {meant:g} for {reading_mm:g}"
    decimals = max(0, -math.floor(math.log10(resolution_mm) + 1e-9))
    digits = f"{abs(reading_mm):.{decimals}f}"
    sign = math.copysign(1.0, reading_mm)
    places = [at for at, one in enumerate(digits) if one != "."]
    for a, b in pairwise(places):
        swapped = list(digits)
        swapped[a], swapped[b] = swapped[b], swapped[a]
        text = "".join(swapped)
        if text != digits:
            yield sign * float(text), f"two digits swapped: {text} for {digits}"
    for at in places:
        for digit in "0123456789":
            if digit != digits[at]:
                text = digits[:at] + digit + digits[at + 1 :]
                yield sign * float(text), f"one digit: {text} for {digits}"
