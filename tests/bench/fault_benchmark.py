"""Play the table of faults and machines at random, and hold the verdicts against what is true.

Run ``python tests/bench/fault_benchmark.py [SEEDS [GROUP …]]``: at least that many seeds are pooled
in every group (2 000; an hour); with groups of the table, ``rows``, ``random``, ``calibration`` or
``cost`` only these. Everything is seeded. Readings are simulated by ``tests/fault_world.py`` and
judged by the program as in a session; value and part are scored apart.

Bounds are one-sided 95 % (Clopper and Pearson 1934): for what has to happen the lower one, for
what must not the upper one. A limit is kept when the share found keeps it; the bound
says how sure that is. The exit status is 1 when a limit is not kept.
"""

from __future__ import annotations

import math
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from scipy.stats import beta

sys.path.insert(0, str(Path(__file__).parents[1]))

from fault_cases import CASES
from fault_rows import ROWS
from fault_world import (
    Machine,
    Outcome,
    random_bench,
    random_machine,
    sit_down,
    with_fault,
    with_number_misread,
)

from tuner.drive.parts import Belt, DriveTrain, GearPair, Motor
from tuner.drive.scale import Form, Stored
from tuner.errors import InputFault
from tuner.metrology import budget, examination
from tuner.metrology.budget import measured_scale
from tuner.metrology.causes import _hypotheses, weigh
from tuner.metrology.fit import fit
from tuner.metrology.reading import Columns

VERDICTS = ("keep", "change", "repair-first", "measure-again", "cannot-tell")
failed: list[str] = []


def bound(hits: int, trials: int, *, upper: bool) -> float:
    """The one-sided 95 % bound of a share of `hits` in `trials`."""
    if upper:
        return 1.0 if hits == trials else float(beta.ppf(0.95, hits + 1, trials - hits))
    return 0.0 if hits == 0 else float(beta.ppf(0.05, hits, trials - hits + 1))


def share(
    what: str,
    hits: int,
    trials: int,
    *,
    least: float | None = None,
    most: float | None = None,
) -> None:
    """Print one share with its bound, and whether the limit is kept."""
    found = hits / trials
    kept = (least is None or found >= least) and (most is None or found <= most)
    if not kept:
        failed.append(what)
    limit = "" if least is None else f"at least {100 * least:g} %"
    limit = limit if most is None else f"at most {100 * most:g} %"
    sure = bound(hits, trials, upper=least is None)
    sign = "<" if least is None else ">"
    print(
        f"  {what:<46}{100 * found:8.2f} % of {trials:5}  ({sign} {100 * sure:.2f} %)  {limit}"
        f"{'' if kept else '   NOT KEPT'}"
    )


def wrong_and_confident(seen: Outcome) -> bool:
    return seen.value_confident and not seen.value_right


def proposed(seen: Outcome) -> bool:
    return seen.finding.proposal is not None


def alarmed(seen: Outcome) -> bool:
    told = seen.finding.told
    return told is not None and bool(told.motion.jumps.found)


def snapped(seen: Outcome) -> bool:
    proposal = seen.finding.proposal
    return proposal is not None and proposal.basis == "parts"


# --- the table ------------------------------------------------------------------------------


def fault_table(seeds: int, only: Sequence[str]) -> list[Outcome]:
    """Play every case, or those of the groups `only`; print the confusion table and the groups."""
    cases = [one for one in CASES if not only or one.group in only]
    groups = Counter(one.group for one in cases)
    played: dict[str, list[tuple[Outcome, bool]]] = defaultdict(list)
    print(
        "case    what                              n   right  "
        + "".join(f"{v:>14}" for v in VERDICTS)
    )
    for case in cases:
        trials = math.ceil(seeds / groups[case.group])
        found = [sit_down(case.machine, case.bench, seed) for seed in range(trials)]
        right = [case.right(one) for one in found]
        played[case.group] += zip(found, right, strict=True)
        verdicts = Counter(one.finding.verdict for one in found)
        print(
            f"{case.id:<8}{case.says:<32}{trials:5}{100 * sum(right) / trials:7.1f} "
            + "".join(f"{verdicts[one]:14}" for one in VERDICTS)
        )
    for group, outcomes in played.items():
        print(group)
        found = [one for one, _ in outcomes]
        n = len(found)
        share("right verdict", sum(right for _, right in outcomes), n, least=0.98)
        share("wrong and confident", sum(map(wrong_and_confident, found)), n, most=0.005)
        share("part named before a look", sum(o.finding.part_known for o in found), n, most=0.0)
        if group in ("identifiable", "tie", "near tie"):
            share("a look is named", sum(o.finding.look is not None for o in found), n, least=1.0)
            share("right part after the looks", sum(o.part_right for o in found), n, least=0.98)
        if group == "healthy":
            share("proposal to change", sum(map(proposed, found)), n, most=0.005)
            share("jump alarm", sum(map(alarmed, found)), n, most=0.005)
        if group == "not listed":
            share("snapped to a part", sum(map(snapped, found)), n, most=0.0)
        _readings(found)
    return [one for outcomes in played.values() for one, _ in outcomes]


def _readings(found: Sequence[Outcome]) -> None:
    taken = sorted(one.readings for one in found)
    print(f"  readings to the verdict: median {taken[len(taken) // 2]}, most {taken[-1]}")


def other_rows(seeds: int) -> None:
    """Play the rows of feeder and printed parts."""
    print("feeder and printed parts")
    trials = math.ceil(seeds / len(ROWS))
    right = 0
    for row in ROWS:
        found = [row.play(seed) for seed in range(trials)]
        hits = sum(good for _, good in found)
        right += hits
        verdicts = Counter(verdict for verdict, _ in found)
        print(
            f"{row.id:<8}{row.says:<32}{trials:5}{100 * hits / trials:7.1f} "
            + "".join(f"{verdicts[one]:14}" for one in VERDICTS)
        )
    share("right verdict", right, trials * len(ROWS), least=0.98)


# --- machines at random ---------------------------------------------------------------------


@dataclass(frozen=True)
class Draw:
    """One kind of machine to draw: its name, how it is made, and its first seed."""

    name: str
    machine: Callable[[np.random.Generator], Machine]
    seed: int


def _deviating(random: np.random.Generator) -> Machine:
    size = float(random.uniform(0.003, 0.015)) * float(random.choice([-1.0, 1.0]))
    return replace(random_machine(random), deviation=1.0 + size)


DRAWS = (
    Draw("as described", random_machine, 1_000_000),
    Draw("one part", lambda random: with_fault(random_machine(random), random), 2_000_000),
    Draw(
        "stored number misread",
        lambda random: with_number_misread(random_machine(random), random),
        3_000_000,
    ),
    Draw(
        "two parts",
        lambda random: with_fault(with_fault(random_machine(random), random), random),
        4_000_000,
    ),
    Draw("0.3 to 1.5 % of no listed cause", _deviating, 5_000_000),
)


def played(draw: Draw, seeds: int) -> Iterable[Outcome]:
    """Sit down at `seeds` machines that can be measured at all."""
    seed = draw.seed
    done = 0
    while done < seeds:
        random = np.random.default_rng(seed)
        machine, bench = draw.machine(random), random_bench(random)
        seed += 1
        try:
            yield sit_down(machine, bench, seed)
        except InputFault:  # too coarse or too short to measure over
            continue
        done += 1


def identifiable(seen: Outcome) -> bool:
    """Whether no rival class could hold more than 4 % for a reading within 2.5 u of the truth."""
    weighed, scale = seen.finding.weighed, seen.finding.scale
    assert weighed is not None
    for off in (-2.5, 0.0, 2.5):
        value = seen.machine.scale * math.exp(off * weighed.u_relative)
        at = replace(scale, value=value, u=scale.u_relative * value, U=scale.U_relative * value)
        said = weigh(at, seen.finding.train, seen.finding.stored)
        rivals = [one for one in said.classes if one.p > 0.04]
        if len(rivals) != 1 or rivals[0].p < 0.95 or said.p_not_listed > 0.04:
            return False
        if float(rivals[0].predicted) != float(seen.machine.parts_scale):
            return False
    return True


def at_random(seeds: int) -> list[Outcome]:
    """Play machines at random; print the same scores."""
    everything = []
    for draw in DRAWS:
        found = list(played(draw, seeds))
        everything += found
        n = len(found)
        print(f"at random: {draw.name}")
        # Rare things alone: the limit holds over everything, where they are as rare as they are.
        share("wrong and confident", sum(map(wrong_and_confident, found)), n, most=0.01)
        share("part named before a look", sum(o.finding.part_known for o in found), n, most=0.0)
        if draw.name == "as described":
            share("proposal to change", sum(map(proposed, found)), n, most=0.005)
            share("jump alarm", sum(map(alarmed, found)), n, most=0.005)
        elif draw.machine is _deviating:
            share("snapped to a part", sum(map(snapped, found)), n, most=0.0)
            share("measured value right", sum(o.value_confident for o in found), n)
        else:
            told = [one for one in found if identifiable(one)]
            share("identifiable", len(told), n)
            right = sum(one.value_confident and one.value_right for one in told)
            share("identifiable: value right", right, len(told), least=0.98)
            right = sum(one.value_confident and one.value_right for one in found)
            share("all: value right", right, n)
            # Of two faults one may cancel the other, or both be wheels of one pair.
            least = None if draw.name == "two parts" else 0.98
            share("right part after the looks", sum(o.part_right for o in found), n, least=least)
            open_ties = [one for one in found if one.finding.tie]
            named = sum(one.finding.look is not None for one in open_ties)
            share("ties with the look named", named, len(open_ties), least=1.0)
        print(f"  verdicts: {dict(Counter(one.finding.verdict for one in found))}")
        _readings(found)
    return everything


# --- are the probabilities right ------------------------------------------------------------


def _any_machine(random: np.random.Generator) -> Machine:
    """A machine as benches meet them: most are as described (common practice, no source)."""
    kind = random.choice(6, p=(0.60, 0.30, 0.02, 0.04, 0.02, 0.02))
    machine = random_machine(random)
    match int(kind):
        case 1:
            return with_fault(machine, random)
        case 2:
            return with_number_misread(machine, random)
        case 3:
            return with_fault(with_fault(machine, random), random)
        case 4:
            return replace(machine, deviation=math.exp(float(random.laplace(0.0, 0.01))))
        case 5:
            return replace(machine, deviation=math.exp(float(random.normal(0.0, 0.8))))
    return machine


def calibration(seeds: int) -> list[Outcome]:
    """The stated probability of the leading class against how often it is the true one."""
    print("calibration: stated p of the leading class, and how often it is right")
    found = list(played(Draw("any", _any_machine, 6_000_000), seeds))
    bins: dict[float, list[tuple[float, bool]]] = defaultdict(list)
    for one in found:
        weighed = one.finding.weighed
        if weighed is None or not weighed.classes:
            continue
        best = weighed.classes[0]
        right = one.machine.deviation == 1.0 and best.predicted == one.machine.parts_scale
        bins[next(at for at in (0.5, 0.8, 0.95, 0.99, 1.0) if best.p <= at)].append((best.p, right))
    for upto in sorted(bins):
        stated = float(np.mean([p for p, _ in bins[upto]]))
        right = float(np.mean([right for _, right in bins[upto]]))
        n = len(bins[upto])
        slack = max(0.01, 3.0 * math.sqrt(stated * (1.0 - stated) / n))
        kept = abs(stated - right) <= slack
        if not kept:
            failed.append(f"calibration up to {upto}")
        print(
            f"  up to {upto:4}: {n:5} stated {stated:.4f} right {right:.4f} (within {slack:.4f})"
            f"{'' if kept else '   NOT KEPT'}"
        )
    share("wrong and confident", sum(map(wrong_and_confident, found)), len(found), most=0.005)
    _readings(found)
    return found


# --- how long it takes ----------------------------------------------------------------------


def cost() -> None:
    """Weighing ten readings against ever more hypotheses, the table of them made before."""
    print("ten readings fitted and weighed (the hypotheses of a card are made once)")
    random = np.random.default_rng(3)
    x = np.linspace(0.0, 120.0, 10)
    y = np.round(20.0 + 0.8 * x + random.normal(0.0, 0.02, 10), 2)
    readings = Columns(x, y, np.tile([1.0, -1.0], 5), np.ones(10, dtype=np.int64))
    motor = Motor(Fraction("1.8"), 16)
    for pairs in range(6):
        train = DriveTrain(
            Belt(Fraction(2), 20), motor, (GearPair(16, 80), GearPair(40, 20)) * pairs
        )
        stored = Stored(Form.STEPS_PER_MM, train.steps_per_mm)
        count = len(_hypotheses(train, stored).weights)
        taken_s = []
        for _ in range(9):
            started_s = time.perf_counter()
            weigh(
                measured_scale(fit(readings, grows=1, resolution_mm=0.01), error_limit_mm=0.03),
                train,
                stored,
            )
            taken_s.append(time.perf_counter() - started_s)
        median_s = sorted(taken_s)[4]
        kept = count > 20_000 or median_s < 0.05
        if not kept:
            failed.append(f"{count} hypotheses")
        print(
            f"  {count:7} hypotheses: {1e3 * median_s:.2f} ms, {1e9 * median_s / count:.0f} ns each"
            f"{'' if kept else '   NOT KEPT'}"
        )


def main() -> int:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    started_s = time.perf_counter()
    # How many more readings would help is not scored, and takes half of the time.
    examination.more_readings = lambda *_: budget.Outlook(None, "", ())
    only = sys.argv[2:]
    everything = fault_table(seeds, only)
    if not only or "rows" in only:
        other_rows(seeds)
    if not only or "random" in only:
        everything += at_random(seeds)
    if not only or "calibration" in only:
        everything += calibration(seeds)
    if everything:
        print("everything")
        wrong = sum(map(wrong_and_confident, everything))
        share("wrong and confident", wrong, len(everything), most=0.005)
        _readings(everything)
    if not only or "cost" in only:
        cost()
    print(f"{time.perf_counter() - started_s:.0f} s; not kept: {', '.join(failed) or 'nothing'}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
