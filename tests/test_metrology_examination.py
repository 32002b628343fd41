"""Readings of an axis of known truth, from the table to the verdict."""

import json
from fractions import Fraction

import numpy as np
import pytest
from simulated_axis import BELT, BELT_STORED, SCREW, SCREW_STORED, Truth, read

from tuner.drive.parts import Belt, DriveTrain, GearPair, Motor
from tuner.drive.scale import Form, Stored
from tuner.errors import BadReadings
from tuner.metrology.examination import Described, agreeing_placings, examine_readings
from tuner.metrology.fit import fit
from tuner.metrology.reading import Columns, columns
from tuner.metrology.table import columns_of
from tuner.metrology.targets import plan_targets
from tuner.metrology.unmeasured import without_fit

SIXTEEN_TEETH = Truth(0.8)
DESCRIBED = Described(BELT, BELT_STORED, 220.0)
CALIPER = {"resolution_mm": 0.01, "error_limit_mm": 0.03}


def readings_of(truth=SIXTEEN_TEETH, *, seed=0, n=10) -> Columns:
    targets = plan_targets(BELT, BELT_STORED, reach=(0.0, 125.0 / truth.scale), over_mm=1.0)
    return columns(read(targets[:n], truth, seed))


def changed(readings: Columns, row: int, reading_mm: float) -> Columns:
    other = readings.reading_mm.copy()
    other[row - 1] = reading_mm
    return Columns(readings.commanded_mm, other, readings.side, readings.visit, readings.time_s)


# --- with and without a description ---------------------------------------------------------


def test_the_parts_name_the_cause():
    found = examine_readings(readings_of(), **CALIPER, grows=1, described=DESCRIBED)
    assert found.finding is not None
    assert found.finding.verdict == "change"
    assert found.finding.proposal is not None
    assert found.finding.proposal.changes == {"drive.pulley_teeth": 16}
    assert abs(found.scale.value - 0.8) < found.scale.U
    assert (found.suspects, found.set_aside) == ((), ())


def test_without_a_description_there_is_a_scale_and_no_verdict_about_it():
    found = examine_readings(readings_of(), **CALIPER, why_no_causes="nobody said")
    assert found.finding is None
    assert abs(found.scale.value - 0.8) < found.scale.U
    report = found.as_json(file="a.csv", axis=None)
    assert (report["verdict"], report["next"]) == ("cannot-tell", "nobody said")
    assert report["not_tested"]["travel_per_rev_mm"] == "nobody said"
    assert report["not_tested"]["periodic"]


@pytest.mark.parametrize("described", [DESCRIBED, None])
@pytest.mark.parametrize("n", [2, 3, 4, 10])
def test_json_has_every_documented_key_and_a_reason_for_every_null(described, n):
    report = examine_readings(
        readings_of(n=n), **CALIPER, described=described, why_no_causes="because"
    ).as_json(file="a.csv", axis="x")
    assert set(report) >= set(without_fit(verdict="keep", axis="x", next=""))
    assert json.loads(json.dumps(report, allow_nan=False)) == report
    assert report["n"] == n
    measured = (
        "travel_per_rev_mm", "play_mm", "periodic", "drift_mm_per_min", "suspect_readings", "jumps",
    )  # fmt: skip
    nothing = {key for key in measured if report[key] is None}
    assert nothing == set(report["not_tested"])
    assert all(report["not_tested"].values())


def test_too_few_readings_are_not_held_against_each_other():
    assert examine_readings(readings_of(n=3), **CALIPER).suspects is None
    assert examine_readings(readings_of(n=4), **CALIPER).suspects == ()


def test_a_scale_is_positive_whichever_way_the_caliper_faces_unless_the_card_says():
    readings = readings_of()
    mirrored = Columns(
        readings.commanded_mm, 150.0 - readings.reading_mm, readings.side, readings.visit
    )
    for one in (readings, mirrored):
        assert examine_readings(one, **CALIPER).scale.value == pytest.approx(0.8, abs=1e-3)
    said = examine_readings(mirrored, **CALIPER, grows=1, described=DESCRIBED)
    assert said.scale.value < 0.0
    assert said.finding is not None
    assert "which way the caliper faces" in said.finding.next


def test_turns_are_counted_from_steps_and_not_from_what_a_turn_should_travel():
    """An eccentric pulley is found although the stored number is a fifth off the parts."""
    turn_mm = 50.0  # 3200 steps at 64 steps per commanded mm
    at = np.array([0, 12.5, 25, 37.5, 50, 62.5, 75, 87.5, 100, 100, 87.5, 75, 62.5, 50, 0.0])
    side = np.array([1.0] * 9 + [-1.0] * 6)
    reading = 20.0 + 0.8 * at - 0.02 * side + 0.2 * np.sin(2 * np.pi * at / turn_mm + 1.0)
    found = examine_readings(
        Columns(at, np.round(reading, 2), side, np.ones(15, dtype=np.int64)),
        **CALIPER,
        described=Described(BELT, Stored(Form.STEPS_PER_MM, Fraction(64)), 220.0),
    )
    assert found.fit.periodic is not None
    assert found.fit.periodic.amplitude_mm == pytest.approx(0.2, abs=0.01)
    geared = DriveTrain(Belt(Fraction(2), 20), Motor(Fraction("1.8"), 16), (GearPair(20, 80),))
    other = examine_readings(
        Columns(at, np.round(reading, 2), side, np.ones(15, dtype=np.int64)),
        **CALIPER,
        described=Described(geared, Stored(Form.STEPS_PER_MM, Fraction(256)), 220.0),
    )
    assert other.fit.periodic is not None
    assert other.fit.periodic.amplitude_mm == pytest.approx(0.2, abs=0.01)


# --- suspects ---------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(20))
def test_a_misread_reading_is_named_and_moves_the_scale_by_less_than_its_u(seed):
    """Fault: the digits of one reading are swapped; the fit must move by less than one u."""
    readings = readings_of(Truth(1.0), seed=seed)
    honest = examine_readings(readings, **CALIPER, grows=1, described=DESCRIBED)
    shown = [f"{value:.2f}" for value in readings.reading_mm]
    # From the middle of the table on, the first whose first two digits differ.
    row = next(n for n in (5, 6, 7, 4, 3) if shown[n - 1][0] != shown[n - 1][1])
    right = shown[row - 1]
    wrong = float(right[1] + right[0] + right[2:])
    found = examine_readings(changed(readings, row, wrong), **CALIPER, grows=1, described=DESCRIBED)
    assert found.set_aside == (row,)
    assert found.finding is not None
    assert (found.finding.verdict, found.finding.proposal) == ("measure-again", None)
    assert f"reading {row} shows" in found.finding.next
    assert abs(found.scale.value - honest.scale.value) < honest.scale.u
    report = found.as_json(file=None, axis="x")
    assert report["suspect_readings"] == report["set_aside"] == [row]
    assert report["suspects"][0]["expected_mm"] == pytest.approx(float(right), abs=0.2)
    assert report["n"] == 10


def test_two_readings_that_changed_places_are_both_named():
    readings = readings_of(Truth(1.0))
    one, other = float(readings.reading_mm[1]), float(readings.reading_mm[4])
    swapped = changed(changed(readings, 2, other), 5, one)
    found = examine_readings(swapped, **CALIPER, grows=1, described=DESCRIBED)
    assert {one.row for one in found.suspects or ()} == {2, 5}
    assert found.finding is not None
    assert found.finding.verdict == "measure-again"


def test_where_what_is_left_shows_no_scale_all_readings_are_kept():
    """Three at one place agree, one elsewhere is beyond belief: still the only way to a scale."""
    readings = columns_of([0.0] * 6 + [100.0], [20.0, 20.01, 20.0, 19.99, 20.0, 20.01, 90.0])
    found = examine_readings(readings, **CALIPER, grows=1, described=DESCRIBED)
    assert found.set_aside == ()
    assert len(found.fit.residuals_mm) == 7


def test_when_many_look_misread_none_is_set_aside():
    readings = readings_of(Truth(1.0))
    broken = readings
    for row in (2, 5, 8):
        broken = changed(broken, row, float(readings.reading_mm[row - 1]) + 5.0 + row)
    found = examine_readings(broken, **CALIPER, grows=1, described=DESCRIBED)
    assert found.set_aside == ()
    assert found.finding is not None
    assert found.finding.verdict == "measure-again"


# --- placings ---------------------------------------------------------------------------------


def twice(first: Columns, second: Columns) -> Columns:
    return Columns(
        *(
            np.concatenate([getattr(first, name), getattr(second, name)])
            for name in ("commanded_mm", "reading_mm", "side")
        ),
        visit=np.repeat([1, 2], [len(first), len(second)]),
    )


@pytest.mark.parametrize(
    ("first", "second", "placings"),
    [
        (Truth(1.004), Truth(1.004), 2),
        (Truth(1.004), Truth(1.010), 1),
        (Truth(1.004), None, 1),
    ],
)
def test_a_measured_number_needs_two_placings_that_agree(first, second, placings):
    both = readings_of(first)
    if second is not None:
        both = twice(both, readings_of(second, seed=1))
    found = examine_readings(both, **CALIPER, grows=1, described=DESCRIBED)
    assert found.finding is not None
    assert (found.finding.verdict == "change") == (placings == 2)


def test_placings_too_short_or_at_one_place_do_not_count():
    def scale_of(some: Columns):
        return examine_readings(some, **CALIPER).scale

    whole = readings_of()
    assert agreeing_placings(twice(whole, readings_of(n=3)), scale_of) == 1
    still = columns_of([10.0] * 5, [28.0] * 5)
    assert agreeing_placings(twice(whole, still), scale_of) == 1
    assert agreeing_placings(twice(still, still), scale_of) == 1
    assert agreeing_placings(twice(whole, readings_of(seed=3)), scale_of) == 2


# --- extremes ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at", "reading"),
    [
        ([], []),
        ([1.0], [20.0]),
        ([1.0, 1.0, 1.0], [20.0, 20.0, 20.1]),
        ([0.0, 100.0], [20.0, 20.0]),
        ([0.0, 100.0], [5e-324, 0.0]),
        ([0.0, 5e-324], [20.0, 30.0]),
    ],
)
@pytest.mark.parametrize("grows", [1, None])
def test_readings_that_show_no_scale_are_refused(at, reading, grows):
    with pytest.raises(BadReadings):
        examine_readings(columns_of(at, reading), **CALIPER, grows=grows)


def test_no_table_of_numbers_makes_a_number_that_is_none():
    random = np.random.default_rng(5)
    sizes = [0.0, 1.0, 1e-300, 5e-324, 1e-9, 1e6, -1e6, 50.5]
    outcomes = set()
    for _ in range(300):
        n = int(random.integers(1, 12))
        at, reading = random.choice(sizes, n), random.choice([*sizes, *random.normal(0, 50, 9)], n)
        readings = columns_of(at, reading, time_s=random.choice(sizes, n))
        try:
            found = examine_readings(readings, **CALIPER, described=DESCRIBED)
        except BadReadings:
            outcomes.add("refused")
        else:
            json.dumps(found.as_json(file=None, axis="x"), allow_nan=False)
            outcomes.add("examined")
    assert outcomes == {"refused", "examined"}


def test_screws_are_examined_alike():
    targets = plan_targets(SCREW, SCREW_STORED, reach=(0.0, 90.0), over_mm=1.0)
    readings = columns(read(targets, Truth(1.25, turn_mm=4.0), 0))
    found = examine_readings(
        readings, **CALIPER, grows=1, described=Described(SCREW, SCREW_STORED, 180.0)
    )
    assert found.finding is not None
    assert found.finding.proposal is not None
    assert found.finding.proposal.forms[Form.TRAVEL_PER_REV_MM] == 5


def test_more_than_a_thousand_readings_agree_with_a_fit_of_them():
    random = np.random.default_rng(2)
    at = random.uniform(0.0, 200.0, 5000)
    readings = columns_of(at, 20.0 + 0.8 * at + random.normal(0.0, 0.02, 5000))
    found = examine_readings(readings, **CALIPER)
    assert found.fit.scale == fit(readings, grows=1, resolution_mm=0.01).scale
    assert found.suspects == ()


def test_of_many_suspects_a_few_are_named_and_the_rest_counted():
    at = np.tile(np.linspace(0.0, 120.0, 7), 5)
    side = np.repeat([1.0, -1.0, 1.0, -1.0, 1.0], 7)
    reading = 20.0 + at + 0.01 * np.sin(np.arange(35.0))
    reading[[3, 8, 17, 22, 30]] += 7.0
    found = examine_readings(
        Columns(at, reading, side, np.ones(35, dtype=np.int64)),
        **CALIPER,
        grows=1,
        described=DESCRIBED,
    )
    assert found.set_aside == (4, 9, 18, 23, 31)
    assert found.finding is not None
    assert found.finding.next.endswith("; and 2 more")
    assert all(one["p"] is None for one in found.as_json(file=None, axis="x")["suspects"])
