"""Measure how near the plan, the fit and the screen come to what is possible at all.

Run ``python tests/bench/estimator.py [TRIALS]`` (2 000; 20 000 take a quarter of an hour).
Everything is seeded. Readings are simulated as a person takes them on a belt axis of 40 mm a
turn: hand 0.02 mm, display 0.01 mm, play 0.08 mm, eccentricity 0.05 mm in any phase,
datum +-0.2 mm.

``bound`` is the Cramer-Rao bound of the places that were read, for a model of datum, scale, play
and one rise and fall per turn, computed here from the pseudo-inverse and not by the program;
``ends`` is that of the same number of readings at the two ends of the base and nothing else to
find out. ``one move`` is what many people do: command 100 mm, read once, divide.

Each line that has a limit ends with it; the exit status is 1 when one is not kept.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache

import numpy as np

from tuner.drive.parts import Belt, DriveTrain, Motor
from tuner.drive.scale import Form, Stored
from tuner.metrology.fit import Fit, fit
from tuner.metrology.reading import SIDE, Columns
from tuner.metrology.screen import screen
from tuner.metrology.student import student_t_factor
from tuner.metrology.targets import CaliperReach, PlanOfTargets, measuring_plan

BELT = DriveTrain(Belt(Fraction(2), 20), Motor(Fraction("1.8"), 16))
STORED = Stored(Form.STEPS_PER_MM, Fraction(80))
TURN_MM = 40.0
STEP_MM = 0.01
SECONDS_A_READING = 30.0
failed: list[str] = []


@dataclass(frozen=True)
class World:
    """What is true of every trial; a tuple of two numbers is drawn anew for each."""

    scale: float = 1.0
    hand_mm: float = 0.02
    play_mm: float | tuple[float, float] = 0.08
    eccentric_mm: float | tuple[float, float] = 0.05
    period_turns: float = 1.0
    drift_mm_per_min: float | tuple[float, float] = 0.0


def plan_of(count: int, scale: float = 1.0) -> PlanOfTargets:
    """The program's plan for a caliper of 150 mm on an axis of 220 mm."""
    return measuring_plan(
        BELT,
        STORED,
        reach=(0.0, 220.0),
        over_mm=1.0,
        caliper=CaliperReach(150.0),
        scale=scale,
        even_turns=not 0.9 <= scale <= 1.1,
        count=max(4, count),
    )


class Trials:
    """Readings of many trials at the places of one plan, and five repeats with each."""

    def __init__(self, count: int, trials: int, world: World, seed: int) -> None:
        self.random = np.random.default_rng(seed)
        self.world = world
        targets = plan_of(count, world.scale).targets[:count]
        self.commanded_mm = np.array([one.commanded_mm for one in targets])
        self.side = np.array([SIDE[one.approach] for one in targets])
        self.time_s = np.arange(count) * SECONDS_A_READING
        self.visit = np.ones(count, dtype=np.int64)
        phase = self.random.uniform(0.0, 2.0 * math.pi, (trials, 1))
        turns = self.commanded_mm / TURN_MM / world.period_turns
        self.true_mm = (
            20.0
            + self._drawn((-0.2, 0.2), trials)
            + world.scale * self.commanded_mm
            - self.side * self._drawn(world.play_mm, trials) / 2.0
            + self._drawn(world.eccentric_mm, trials) * np.sin(2.0 * math.pi * turns + phase)
            + self._drawn(world.drift_mm_per_min, trials) * self.time_s / 60.0
        )
        self.reading_mm = self.read(self.true_mm)
        self.repeats = self.read(np.full((trials, 5), 20.0) + self._drawn((-0.2, 0.2), trials))

    def _drawn(self, what: float | tuple[float, float], trials: int) -> np.ndarray:
        low, high = what if isinstance(what, tuple) else (what, what)
        return self.random.uniform(low, high, (trials, 1))

    def read(self, true_mm: np.ndarray) -> np.ndarray:
        """What a display shows that is read by this hand."""
        noisy = true_mm + self.random.normal(0.0, self.world.hand_mm, true_mm.shape)
        return np.round(noisy / STEP_MM) * STEP_MM

    def columns(self, trial: int, *, timed: bool = False) -> Columns:
        return Columns(
            self.commanded_mm,
            self.reading_mm[trial],
            self.side,
            self.visit,
            self.time_s if timed else None,
        )

    def fits(self, *, timed: bool = False) -> list[Fit]:
        return [
            fit(
                self.columns(trial, timed=timed),
                grows=1,
                resolution_mm=STEP_MM,
                repeats=[repeats],
                turn_mm=TURN_MM,
            )
            for trial, repeats in enumerate(self.repeats)
        ]

    def rms(self, fits: Sequence[Fit]) -> float:
        errors = np.array([one.scale for one in fits]) - self.world.scale
        return float(np.sqrt(np.mean(errors**2)))

    def covered(self, fits: Sequence[Fit]) -> float:
        """How often the truth lies inside the interval that is promised to hold 95 %."""
        inside = [
            abs(one.scale - self.world.scale) <= t_factor(one.dof) * one.u_scale for one in fits
        ]
        return float(np.mean(inside))

    def bound(self) -> float:
        """The smallest standard deviation any unbiased estimator can have at these places."""
        angle = 2.0 * math.pi * self.commanded_mm / TURN_MM
        design = np.column_stack(
            [self.commanded_mm, np.ones_like(angle), self.side, np.cos(angle), np.sin(angle)]
        )
        sigma_mm = math.hypot(self.world.hand_mm, STEP_MM / math.sqrt(12.0))
        return sigma_mm * math.sqrt(float(np.linalg.pinv(design.T @ design, rcond=1e-12)[0, 0]))


@cache
def t_factor(dof: float) -> float:
    return student_t_factor(dof)


def line(what: str, value: float, kept: Callable[[float], bool] | None, limit: str = "") -> None:
    good = kept is None or kept(value)
    if not good:
        failed.append(what)
    print(f"  {what:<58}{value:8.4f}  {limit}{'' if good else '   NOT KEPT'}")


def at_most(limit: float) -> Callable[[float], bool]:
    return lambda value: value <= limit


def between(low: float, high: float, trials: int) -> Callable[[float], bool]:
    """Within the limits, give or take two binomial standard deviations of so many trials."""
    slack = 2.0 * math.sqrt(0.95 * 0.05 / trials)
    return lambda value: low - slack <= value <= high + slack


def one_move_rms(trials: int) -> float:
    """Command 100 mm, read once, subtract where the datum should be, divide."""
    random = np.random.default_rng(99)
    phase = random.uniform(0.0, 2.0 * math.pi, trials)
    lost = 0.08 * random.integers(0, 2, trials)  # whether the play was taken up before
    moved = 100.0 - lost + 0.05 * (np.sin(2.0 * math.pi * 2.5 + phase) - np.sin(phase))
    read = moved + random.uniform(-0.2, 0.2, trials) + random.normal(0.0, 0.02, trials)
    return float(np.sqrt(np.mean((np.round(read, 2) / 100.0 - 1.0) ** 2)))


def against_the_bound(trials: int) -> None:
    print("scale: root mean square error, and what is possible (1e-6)")
    one_move = one_move_rms(trials)
    line("one move of 100 mm, read once", 1e6 * one_move, None)
    for count in (2, 6, 10, 20):
        taken = Trials(count, trials, World(), seed=count)
        rms, bound = taken.rms(taken.fits()), taken.bound()
        sigma_mm = math.hypot(0.02, STEP_MM / math.sqrt(12.0))
        ends = 2.0 * sigma_mm / plan_of(count).base_mm / math.sqrt(count)
        slack = 2.0 / math.sqrt(2.0 * trials)  # of a root mean square of so many trials
        limited = count > 2
        line(f"{count} readings", 1e6 * rms, None)
        line(
            f"{count} readings / bound",
            rms / bound,
            at_most(1.02 * (1.0 + slack)) if limited else None,
            "at most 1.02" if limited else "",
        )
        line(
            f"{count} readings: bound / ends",
            bound / ends,
            at_most(1.05) if limited else None,
            "at most 1.05" if limited else "",
        )
        line(
            f"one move / {count} readings",
            one_move / rms,
            (lambda value: value >= 10.0) if count == 6 else None,
            "at least 10" if count == 6 else "",
        )


def coverage(trials: int) -> None:
    print("95 % intervals with five repeats hold the truth")
    for hand_mm in (0.012, 0.02, 0.03, 0.05):
        for count in (6, 10, 20):
            taken = Trials(count, trials, World(hand_mm=hand_mm), seed=1000 + count)
            line(
                f"hand {hand_mm} mm, {count} readings",
                taken.covered(taken.fits()),
                between(0.94, 0.96, trials),
                "0.94 to 0.96",
            )
    print("the same with play, eccentricity and drift at random, timed readings")
    for scale, period_turns in ((0.5, 2.0), (0.8, 1.0), (1.25, 1.0), (2.0, 0.5)):
        world = World(
            scale=scale,
            period_turns=period_turns,
            play_mm=(0.0, 0.5),
            eccentric_mm=(0.0, 0.15),
            drift_mm_per_min=(-0.02, 0.02),
        )
        for count in (6, 10, 20):
            taken = Trials(count, trials, world, seed=2000 + count)
            line(
                f"scale {scale}, {count} readings",
                taken.covered(taken.fits(timed=True)),
                between(0.93, 0.97, trials),
                "0.93 to 0.97",
            )


def misread(shown_mm: float, random: np.random.Generator) -> float:
    """One of the slips of people: a wrong digit, two digits swapped, a point, an inch."""
    digits = f"{abs(shown_mm):.2f}"
    places = [at for at, one in enumerate(digits) if one != "."]
    kind = random.choice(["digit", "swap", "point", "inch"], p=[0.6, 0.25, 0.1, 0.05])
    if kind == "point":
        return float(shown_mm * random.choice([10.0, 0.1]))
    if kind == "inch":
        return round(shown_mm / 25.4, 3)
    changed = list(digits)
    if kind == "swap":
        at = int(random.integers(len(places) - 1))
        a, b = places[at], places[at + 1]
        changed[a], changed[b] = changed[b], changed[a]
    else:
        at = places[int(random.integers(len(places) - 1))]  # not the last: that is no misreading
        changed[at] = str((int(changed[at]) + int(random.integers(1, 10))) % 10)
    return math.copysign(float("".join(changed)), shown_mm)


def misreadings(trials: int) -> None:
    print("5 % misread, what is pointed at is read once more: error / bound without misreadings")
    for count, limit in ((8, 1.3), (10, 1.3), (12, 1.15)):
        taken = Trials(count, trials, World(), seed=3000 + count)
        wrong = taken.random.random(taken.reading_mm.shape) < 0.05
        for trial, row in zip(*np.nonzero(wrong), strict=True):
            shown = float(taken.reading_mm[trial, row])
            taken.reading_mm[trial, row] = misread(shown, taken.random)
        plain = taken.rms(taken.fits())
        again = taken.read(taken.true_mm)
        right = found = pointed = 0
        for trial in range(trials):
            suspects = screen(
                taken.columns(trial),
                grows=1,
                resolution_mm=STEP_MM,
                repeats=[taken.repeats[trial]],
                turn_mm=TURN_MM,
            )
            rows = [one.row - 1 for one in suspects]
            pointed += len(rows)
            found += sum(bool(wrong[trial, row]) for row in rows)
            right += sum(
                abs(one.expected_mm - taken.true_mm[trial, one.row - 1]) <= 3.0 * one.u_mm
                for one in suspects
            )
            taken.reading_mm[trial, rows] = again[trial, rows]
        rms, bound = taken.rms(taken.fits()), taken.bound()
        slack = 2.0 / math.sqrt(2.0 * trials)
        line(f"{count} readings, not screened", plain / bound, None)
        line(f"{count} readings", rms / bound, at_most(limit * (1.0 + slack)), f"at most {limit}")
        line(f"{count} readings: misread and pointed at", found / int(wrong.sum()), None)
        line(f"{count} readings: good among those pointed at", 1.0 - found / pointed, None)
        line(f"{count} readings: expected value right within 3 u", right / pointed, None)
    clean = Trials(10, trials, World(), seed=4000)
    alarms = sum(
        bool(screen(clean.columns(t), grows=1, resolution_mm=STEP_MM, turn_mm=TURN_MM))
        for t in range(trials)
    )
    line("10 good readings: tables with an alarm", alarms / trials, at_most(0.005), "at most 0.005")


def growth() -> None:
    """A million readings against a bare least-squares solution of the same matrix, in turns."""
    print("fit and screen, against numpy.linalg.lstsq on the same matrix")
    taken_s = []
    for count in (100_000, 1_000_000):
        random = np.random.default_rng(7)
        x = random.uniform(0.0, 120.0, count)
        side = random.choice([1.0, -1.0], count)
        y = np.round(20.0 + 0.8 * x - 0.04 * side + random.normal(0.0, 0.02, count), 2)
        data = Columns(x, y, side, np.ones(count, dtype=np.int64))
        angle = 2.0 * math.pi * x / TURN_MM
        matrix = np.column_stack([np.ones(count), x, side, np.cos(angle), np.sin(angle)])
        turns = []
        for _ in range(9):
            moments = [time.perf_counter()]
            np.linalg.lstsq(matrix, y, rcond=None)
            moments.append(time.perf_counter())
            fit(data, grows=1, resolution_mm=STEP_MM, turn_mm=TURN_MM)
            moments.append(time.perf_counter())
            screen(data, grows=1, resolution_mm=STEP_MM, turn_mm=TURN_MM)
            moments.append(time.perf_counter())
            turns.append(np.diff(moments))
        taken_s.append(np.median(np.array(turns), axis=0))
    bare, fitted, screened = taken_s[1]
    line("1 000 000 readings, fit", fitted / bare, at_most(4.0), "at most 4")
    line("1 000 000 readings, fit and screen", (fitted + screened) / bare, None)
    grown = (fitted + screened) / (taken_s[0][1] + taken_s[0][2])
    line("ten times the readings, fit and screen: times as long", grown, at_most(15.0), "about 10")


def main() -> int:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    started_s = time.perf_counter()
    against_the_bound(trials)
    coverage(trials)
    misreadings(trials)
    growth()
    print(f"{trials} trials each, {time.perf_counter() - started_s:.0f} s")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
