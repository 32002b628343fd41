"""The table of faults, five seeds a case; ``tests/bench/fault_benchmark.py`` plays thousands."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from statistics import median

import numpy as np
import pytest
from fault_cases import CASES, Case
from fault_rows import ROWS, Row
from fault_world import (
    Bench,
    Machine,
    Outcome,
    belt,
    machine_of,
    random_bench,
    random_machine,
    sit_down,
    with_fault,
    with_number_misread,
)

from tuner.errors import InputFault

SEEDS = 5
GROUPS = {one.group for one in CASES}
AT_RANDOM = {"as-described": 20, "one-part": 25, "misread": 15, "deviation": 8}


@cache
def played(case: Case) -> list[Outcome]:
    return [sit_down(case.machine, case.bench, seed) for seed in range(SEEDS)]


def each(*groups: str) -> pytest.MarkDecorator:
    cases = [one for one in CASES if one.group in (groups or GROUPS)]
    return pytest.mark.parametrize("case", cases, ids=lambda one: one.id)


def test_every_case_has_a_name_of_its_own() -> None:
    assert len({one.id for one in CASES}) == len(CASES)


@each(*GROUPS - {"motion"})
def test_the_right_verdict(case: Case) -> None:
    assert [case.right(one) for one in played(case)] == [True] * SEEDS


@each("motion")
def test_what_the_sequence_shows_is_named(case: Case) -> None:
    """A loose pulley may lose the same by chance, and a worn switch close twice at one place."""
    assert sum(case.right(one) for one in played(case)) >= SEEDS - 1


@each()
def test_nothing_wrong_is_said_with_confidence(case: Case) -> None:
    for one in played(case):
        assert one.value_right or not one.value_confident
        assert not one.finding.part_known


@each("identifiable", "tie", "near tie")
def test_the_looks_lead_to_the_right_part(case: Case) -> None:
    for one in played(case):
        assert one.finding.look is not None
        assert one.part_right
        assert one.after_looks.verdict == "change"


@each("healthy", "not listed", "too little", "repair")
def test_no_part_is_ever_proposed_where_none_is_wrong(case: Case) -> None:
    for one in played(case):
        proposal = one.finding.proposal
        assert proposal is None or proposal.basis == "measured"


def test_a_first_stage_is_enough() -> None:
    """The median of what a session has to read; in a file all readings are there."""
    sessions = [one for one in CASES if not one.bench.at_once and one.group != "not listed"]
    assert median(one.readings for case in sessions for one in played(case)) <= 8


@pytest.mark.parametrize("row", ROWS, ids=lambda one: one.id)
def test_feeder_and_printed_parts(row: Row) -> None:
    assert [row.play(seed)[1] for seed in range(SEEDS)] == [True] * SEEDS


# --- machines at random ---------------------------------------------------------------------


def drawn(seed: int, kind: str) -> Outcome | None:
    """Sit down at a machine drawn from `seed`; None for one too coarse to be measured."""
    random = np.random.default_rng(seed)
    machine, bench = random_machine(random), random_bench(random)
    match kind:
        case "one-part":
            machine = with_fault(machine, random)
        case "misread":
            machine = with_number_misread(machine, random)
        case "deviation":
            machine = replace(machine, deviation=1.0 + float(random.uniform(0.003, 0.015)))
    try:
        return sit_down(machine, bench, seed)
    except InputFault:
        return None


@pytest.mark.parametrize("kind", AT_RANDOM)
def test_machines_at_random(kind: str) -> None:
    found = [one for seed in range(AT_RANDOM[kind]) if (one := drawn(seed, kind)) is not None]
    assert len(found) >= AT_RANDOM[kind] - 3
    for one in found:
        assert one.value_right or not one.value_confident
        assert not one.finding.part_known
        if one.finding.tie:
            assert one.finding.look is not None
        if kind in ("one-part", "misread"):
            assert one.part_right
        elif kind == "as-described":
            assert one.finding.proposal is None
        else:
            proposal = one.finding.proposal
            assert proposal is None or proposal.basis == "measured"


# --- the world itself -----------------------------------------------------------------------


def test_a_machine_as_described_travels_what_it_is_told() -> None:
    assert machine_of(belt()).parts_scale == 1
    assert machine_of(belt()).faults == 0


@pytest.mark.parametrize("seed", range(20))
def test_a_part_that_differs_is_seen_on_looking(seed: int) -> None:
    random = np.random.default_rng(seed)
    sound = random_machine(random)
    machine = with_fault(sound, random)
    assert machine.faults == 1
    assert machine.parts_scale == machine.real.mm_per_step / machine.card.mm_per_step
    assert not machine.is_so("stored-number=1")
    assert machine.is_so("motor-turn") == (machine.real.motor == machine.card.motor)


def test_the_readings_of_a_seed_are_always_the_same() -> None:
    machine: Machine = machine_of(belt(), belt(16))
    one, other = (sit_down(machine, Bench(), 7) for _ in range(2))
    assert one.finding.scale == other.finding.scale
