"""Faults of motion, from the readings to what is said of them."""

import json
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from motion_world import BELT_AXIS, CASES, SOUND, Case, clipped, loose_pulley, world
from simulated_axis import STEPPER

from tuner.drive.parts import DriveTrain, Screw
from tuner.drive.scale import Form, Stored
from tuner.metrology.examination import Described, examine_readings
from tuner.metrology.motion import watch
from tuner.metrology.reading import Columns

SEEDS = 6
# Ten readings do not always show that a loss varies, or which period a rise and fall has; a loss of
# 0.7 mm lies within 5 u of a lost cycle of 0.8 mm.
NOT_ALWAYS = {"loose pulley": 2, "period of 1.25 turns": 2, "worn switch": 1, "nut slips": 1}


@pytest.mark.parametrize("name", CASES)
def test_what_is_wrong_is_said(name):
    case = CASES[name]
    wrong = [seed for seed in range(SEEDS) if not case.is_right(case.examined(seed))]
    assert len(wrong) <= NOT_ALWAYS.get(name, 0), wrong


@pytest.mark.parametrize("name", SOUND)
def test_no_jump_where_there_is_none(name):
    case = Case(SOUND[name], ())
    assert not any(case.examined(seed).motion.jumps.found for seed in range(SEEDS))


def test_two_faults_are_two_findings_and_the_number_is_changed():
    report = CASES["16 teeth and play"].examined(1).as_json(file=None, axis="x")
    assert report["proposal"]["changes"] == {"drive.pulley_teeth": 16}
    (play,) = [one for one in report["causes"] if one["name"] == "play"]
    assert "power off" in play["check"]


def test_the_object_of_a_jump():
    report = CASES["4 mm on 20 teeth"].examined(3).as_json(file=None, axis="x")
    (jump,) = json.loads(json.dumps(report, allow_nan=False))["jumps"]
    assert jump["before"] == 6
    assert jump["size_mm"] == pytest.approx(4.0, abs=5 * jump["u"])
    assert [(one["name"], one["count"]) for one in jump["as"][:2]] == [
        ("lost-steps", 5),
        ("belt-jump", 2),
    ]
    assert sum(one["p"] for one in jump["as"]) == pytest.approx(1.0, abs=0.01)
    assert report["proposal"] is None
    assert set(report["smallest_jump_mm"]) == {"best_place", "worst_place"}


def test_a_jump_and_a_misread_reading_are_both_named_by_their_place_in_the_file():
    readings = world(4, jumps=((6, -2.4),))
    reading = readings.reading_mm.copy()
    reading[2] += 5.0
    found = Case(lambda _: replace(readings, reading_mm=reading), ()).examined(0)
    assert found.set_aside == (3,)
    assert [one.before for one in found.motion.jumps.found] == [7]
    assert found.scale.value == pytest.approx(1.0, abs=2e-3)


def test_lost_motion_on_a_lattice_too_fine_to_test_is_not_named():
    """A lead of 8 mm: one lost cycle is 0.16 mm, and three jumps leave each of them uncertain."""
    train = DriveTrain(Screw(Fraction(2), 4), STEPPER)
    stored = Stored(Form.STEPS_PER_MM, Fraction(400))
    jumps = ((2, -0.5), (4, -0.61), (7, -0.37))
    readings = world(1, train=train, stored=stored, period_mm=8.0, jumps=jumps, hand_mm=0.03)
    case = Case(lambda _: readings, (), look="unmoved", described=Described(train, stored, 180.0))
    report = case.examined(0).as_json(file=None, axis="x")
    assert (report["verdict"], report["tie"]) == ("cannot-tell", ["not-listed", "lost-steps"])
    assert "0.16 mm" in report["not_tested"]["lost-steps"]


def test_what_says_nothing_about_the_scale_is_left_out_and_named():
    found = Case(lambda seed: clipped(seed, 125.0), ()).examined(0)
    report = found.as_json(file=None, axis="x")
    beyond = np.flatnonzero(found.readings.commanded_mm > 125.0) + 1
    assert report["left_out"] == beyond.tolist()
    assert found.scale.value == pytest.approx(1.0, abs=2e-3)
    loose = Case(loose_pulley, ()).examined(0)
    assert loose.motion.loose is not None
    assert loose.motion.loose.side == "minus"
    assert loose.scale.value == pytest.approx(1.0, abs=2e-3)


def test_an_axis_that_stops_at_its_low_end_is_seen_too():
    readings = world(2)
    mirrored = replace(
        readings,
        commanded_mm=200.0 - readings.commanded_mm,
        reading_mm=200.0 - clipped(2, 125.0).reading_mm,
        side=-readings.side,
    )
    motion = watch(mirrored, grows=1, resolution_mm=0.01, turn_mm=40.0)
    assert motion.clipped is not None
    assert motion.clipped.end == "low"


def test_play_without_an_approach_is_not_tested():
    readings = replace(world(1, play_mm=0.3), side=np.zeros(10))
    report = Case(lambda _: readings, ()).examined(0).as_json(file=None, axis="x")
    assert report["play_mm"] is None
    assert "side" in report["not_tested"]["play_mm"]


@pytest.mark.parametrize("described", [BELT_AXIS, None])
def test_without_a_card_a_jump_has_a_size_and_no_lattice(described):
    found = examine_readings(
        world(0, jumps=((5, -0.8),)),
        resolution_mm=0.01,
        error_limit_mm=0.03,
        described=described,
        why_no_causes="nobody said",
    )
    (jump,) = found.as_json(file=None, axis=None)["jumps"]
    assert any(one["count"] for one in jump["as"]) == (described is not None)


def test_readings_from_one_side_say_that_play_is_not_tested():
    readings = world(1, play_mm=0.5)
    report = (
        Case(lambda _: replace(readings, side=np.ones(10)), ())
        .examined(0)
        .as_json(file=None, axis="x")
    )
    assert report["not_tested"]["play_mm"] == "all readings arrived from the same side"


def test_many_readings_are_searched_for_jumps_only():
    random = np.random.default_rng(3)
    at = random.uniform(0.0, 200.0, 300)
    reading = 20.0 + at + 0.3 * np.sin(at / 7.0) + random.normal(0.0, 0.02, 300)
    readings = Columns(at, reading, np.zeros(300), np.ones(300, dtype=np.int64))
    assert watch(readings, grows=1, resolution_mm=0.01, turn_mm=40.0).period_turns == 1.0
    assert watch(readings.only(np.arange(0)), grows=1, resolution_mm=0.01).jumps.why_not
