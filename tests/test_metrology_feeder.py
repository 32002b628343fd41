"""The feeder: slip against scale, from marks read before and after feeds."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Mapping
from fractions import Fraction

import numpy as np
import pytest

from tuner.drive.parts import DriveTrain, Feeder, GearPair, Motor
from tuner.drive.scale import Form, Stored, convert
from tuner.errors import BadReadings
from tuner.metrology.feeder import (
    Delivery,
    FeederFinding,
    Run,
    delivery,
    judge_feeder,
    smallest_slip,
)

SEEDS = 20
TRAIN = DriveTrain(
    Feeder(Fraction("7.3")), Motor(Fraction("1.8"), 16), (GearPair(driver=1, driven=3),)
)
STORED = Stored(Form.STEPS_PER_MM, Fraction(420))
SCALE_TIE = ("override-active", "stored-number", "gear-teeth", "feeder-diameter")
NUMBER_STANDS = {"override-active": "denied", "stored-number": "denied"}
# What is delivered at each speed in mm/s.
SLIPS = {1.0: 0.97, 3.0: 0.94, 6.0: 0.88}
GEAR = dict.fromkeys((1.0, 3.0), 150 / 147)  # 50:17 for 3:1
LOW = dict.fromkeys((1.0, 3.0), 0.9)
WELL = dict.fromkeys((1.0, 3.0), 1.0)


def fed(
    seed: int,
    delivered: Mapping[float, float],
    *,
    readings: int = 8,
    mark_mm: float = 0.2,
    at_ends: bool = False,
) -> Delivery:
    """Marks as they are read to a tenth of a millimetre, over 100 mm of filament at each speed."""
    random = np.random.default_rng([seed, 31])
    places = np.linspace(0.0, 100.0, readings)
    if at_ends:
        places = np.repeat([0.0, 100.0], readings // 2)
    runs = []
    for speed, share in delivered.items():
        datum = random.uniform(115.0, 125.0)
        seen = datum - share * places + random.normal(0.0, mark_mm, readings)
        runs.append(Run(speed, tuple(places), tuple(np.round(seen, 1))))
    repeats = np.round(random.normal(50.0, mark_mm, 5), 1)
    return delivery(runs, repeats_mm=tuple(repeats))


def judged(seed: int, delivered: Mapping[float, float], **how: object) -> FeederFinding:
    return judge_feeder(fed(seed, delivered, **how), train=TRAIN, stored=STORED)


@pytest.mark.parametrize(
    ("delivered", "verdict", "tie", "look"),
    [
        (SLIPS, "repair-first", (), None),
        ({1.0: 0.98, 3.0: 0.94}, "repair-first", (), None),
        (GEAR, "cannot-tell", SCALE_TIE, "override-active"),
        (LOW, "cannot-tell", SCALE_TIE, "override-active"),
        ({2.0: 0.98}, "cannot-tell", ("feeder-slip", "scale"), "override-active"),
        ({2.0: 1.02}, "cannot-tell", SCALE_TIE, "override-active"),
    ],
)
def test_every_fault_of_the_feeder(
    delivered: Mapping[float, float], verdict: str, tie: tuple[str, ...], look: str | None
) -> None:
    for seed in range(SEEDS):
        found = judged(seed, delivered, at_ends=True)
        assert (found.verdict, found.tie, found.look and found.look.key) == (verdict, tie, look)
        assert found.proposal is None


def test_a_feeder_that_is_right_is_left_alone() -> None:
    for places in (WELL, {2.0: 1.0}):
        seen = Counter(judged(seed, places, at_ends=True).verdict for seed in range(SEEDS))
        assert set(seen) == {"keep"}


@pytest.mark.parametrize("lost", [0.002, 0.003])
def test_a_little_slip_is_no_fault_however_sure(lost: float) -> None:
    found = judged(1, {1.0: 1.0, 3.0: 1.0 - lost}, readings=200, mark_mm=0.1, at_ends=True)
    assert found.delivery.p_slip > 0.95
    assert (found.verdict, found.causes) == ("keep", ())


def test_slip_has_no_scale_and_names_the_way_to_one() -> None:
    found = judged(1, SLIPS)
    report = found.as_json(axis="e")
    assert report["scale"] is None
    assert "no one number" in report["not_tested"]["scale"]
    assert [one["name"] for one in report["causes"]] == ["feeder-slip"]
    assert "leave the stored number" in found.next
    assert "free of the nozzle" in found.next
    assert report["slip"]["value"] == pytest.approx(0.09, abs=0.01)


def test_one_speed_asks_for_a_third_and_for_double() -> None:
    found = judged(1, {3.0: 0.97})
    assert "repeat at 1 and at 6 mm/s" in found.next
    assert "free of the nozzle" in found.next
    assert found.as_json(axis="e")["not_tested"]["slip"] == "one speed only"


# --- looks --------------------------------------------------------------------------------------


def after(looks: Mapping[str, str], stored: Stored = STORED, delivered=GEAR) -> FeederFinding:
    return judge_feeder(fed(1, delivered, at_ends=True), train=TRAIN, stored=stored, looks=looks)


def test_an_override_is_taken_off_before_anything_else() -> None:
    found = after({"override-active": "confirmed"}, delivered=LOW)
    assert (found.verdict, found.proposal) == ("measure-again", None)
    assert [one["name"] for one in found.causes] == ["override-active"]


def test_another_number_in_the_controller_is_written_down_first() -> None:
    found = after({"override-active": "denied"})
    assert (found.verdict, found.proposal) == ("cannot-tell", None)
    assert found.look is not None
    assert found.look.key == "stored-number"
    found = after({"override-active": "denied", "stored-number": "confirmed"})
    assert (found.verdict, found.proposal) == ("measure-again", None)
    assert [one["name"] for one in found.causes] == ["stored-number"]


@pytest.mark.parametrize("share", [0.5, 0.52, 2.0, 4.0])
def test_near_a_power_of_two_the_motor_and_its_driver_come_in(share: float) -> None:
    found = judged(1, dict.fromkeys((1.0, 3.0), share), at_ends=True)
    assert found.tie == (*SCALE_TIE[:2], "step-angle", "microsteps", *SCALE_TIE[2:])
    looks = NUMBER_STANDS | {"step-angle": "confirmed"}
    found = after(looks, delivered=dict.fromkeys((1.0, 3.0), share))
    assert [one["name"] for one in found.causes] == ["step-angle"]
    assert (found.verdict, found.tie) == ("change", ())
    assert found.proposal is not None
    forms = found.proposal.forms
    assert float(forms[Form.STEPS_PER_MM]) == pytest.approx(420 / share, rel=0.01)
    assert forms[Form.TRAVEL_PER_REV_MM] == TRAIN.travel_per_rev_mm


@pytest.mark.parametrize("share", [0.8, 1.25, 1.4, 0.7])
def test_far_from_a_power_of_two_they_stay_out(share: float) -> None:
    assert judged(1, dict.fromkeys((1.0, 3.0), share), at_ends=True).tie == SCALE_TIE


def test_without_override_gear_and_wheel_ask_for_the_same_steps() -> None:
    found = after(NUMBER_STANDS)
    assert (found.verdict, found.tie) == ("change", ("gear-teeth", "feeder-diameter"))
    assert found.look is not None
    assert found.look.key == "gear-teeth"
    assert found.proposal is not None
    # 420 steps deliver 150/147 mm: 411.6 are right; 1 % is the promise, not the digits
    forms = found.proposal.forms
    assert float(forms[Form.STEPS_PER_MM]) == pytest.approx(420 * 147 / 150, rel=0.005)
    assert forms[Form.TRAVEL_PER_REV_MM] is None
    assert forms[Form.TRAVEL_PER_MOTOR_REV_MM] is not None
    assert found.proposal.changes == {}
    assert "this filament" in found.next


@pytest.mark.parametrize(
    ("gears", "travel", "cause"),
    [
        ("denied", float(TRAIN.travel_per_rev_mm) * 3200 * 3 / 411.6 / 22.934, "feeder-diameter"),
        ("confirmed", 22.934, "gear-teeth"),
    ],
)
def test_counting_the_teeth_settles_the_part(gears: str, travel: float, cause: str) -> None:
    found = after({**NUMBER_STANDS, "gear-teeth": gears})
    assert (found.verdict, found.tie, found.look) == ("change", (), None)
    assert [one["name"] for one in found.causes] == [cause]
    assert found.proposal is not None
    assert float(found.proposal.forms[Form.TRAVEL_PER_REV_MM]) == pytest.approx(travel, rel=0.005)
    assert set(found.proposal.changes) == {"stored.steps_per_mm"}


@pytest.mark.parametrize(
    ("looks", "verdict", "says"),
    [
        (NUMBER_STANDS, "cannot-tell", "count the teeth of both gears"),
        (
            {**NUMBER_STANDS, "gear-teeth": "confirmed"},
            "cannot-tell",
            "the stored travel is right",
        ),
        ({**NUMBER_STANDS, "gear-teeth": "denied"}, "change", "set the number by hand"),
    ],
)
def test_a_stored_travel_differs_between_gear_and_wheel(
    looks: Mapping[str, str], verdict: str, says: str
) -> None:
    travel = convert(Fraction(420), Form.STEPS_PER_MM, Form.TRAVEL_PER_REV_MM, TRAIN)
    found = after(looks, Stored(Form.TRAVEL_PER_REV_MM, travel))
    assert found.verdict == verdict
    assert says in found.next


def test_nothing_is_proposed_while_slip_as_large_can_hide() -> None:
    looks = NUMBER_STANDS
    seen = fed(6, dict.fromkeys((1.0, 3.0), 0.985), mark_mm=0.25)
    found = judge_feeder(seen, train=TRAIN, stored=STORED, looks=looks)
    assert (found.verdict, found.proposal) == ("measure-again", None)
    assert "between the speeds may hide in it" in found.next


def test_without_a_card_there_is_no_number() -> None:
    found = judge_feeder(fed(1, GEAR, at_ends=True), looks=NUMBER_STANDS)
    assert (found.verdict, found.proposal) == ("cannot-tell", None)


# --- what can be seen ---------------------------------------------------------------------------


@pytest.mark.parametrize(("readings", "mark_mm"), [(8, 0.2), (15, 0.3)])
def test_one_percent_of_slip_is_just_seen(readings: int, mark_mm: float) -> None:
    """A one-sided 5 % test sees it in five of six cases or more, over 100 mm at even places."""
    seen = 0
    for seed in range(200):
        found = fed(seed, {1.0: 0.99, 3.0: 0.98}, readings=readings, mark_mm=mark_mm)
        seen += found.drop > 1.645 * found.u_drop
    assert seen / 200 >= 0.8


def test_the_smallest_slip_is_seen_as_often_as_is_said() -> None:
    # Even places over 100 mm: S = 100^2 n (n + 1) / (12 (n - 1))
    spread_mm2 = 100.0**2 * 8 * 9 / (12 * 7)
    least = smallest_slip(0.2 * math.sqrt(2 / spread_mm2), 16)
    called = sum(fed(seed, {1.0: 1.0, 3.0: 1.0 - least}).p_slip >= 0.95 for seed in range(400))
    assert 0.90 <= called / 400 <= 0.985


def test_more_readings_see_less_slip() -> None:
    least = [fed(1, WELL, readings=n, at_ends=True).smallest_slip for n in (4, 8, 16, 64)]
    assert least == sorted(least, reverse=True)


def test_the_interval_of_every_speed_covers_the_truth() -> None:
    held = [
        abs(run.value - SLIPS[run.speed_mm_per_s]) <= run.U
        for seed in range(300)
        for run in fed(seed, SLIPS).runs
    ]
    assert 0.93 <= sum(held) / len(held) <= 0.97


def test_the_line_by_hand() -> None:
    # distances 100, 80, 61 at 0, 20, 40: slope 39/40; residuals -1/6, 1/3, -1/6
    (run,) = delivery([Run(1.0, (0.0, 20.0, 40.0), (100.0, 80.0, 61.0))], resolution_mm=0.0).runs
    assert run.value == pytest.approx(39 / 40)
    # one residual degree of freedom and three of a mark read to 0.3 mm
    mark_mm = math.sqrt((1 / 6 + 3 * 0.09) / 4)
    assert run.u == pytest.approx(mark_mm / math.sqrt(800))


def test_repeats_alone_give_the_error_of_the_mark() -> None:
    runs = [Run(speed, (0.0, 100.0), (120.0, 20.0)) for speed in (1.0, 3.0)]
    repeats = (50.0, 50.2, 49.8, 50.2, 49.8, 50.2, 49.8)  # s2 = 0.24 / 6
    assert delivery(runs, repeats_mm=repeats, resolution_mm=0.0).mark_mm == pytest.approx(0.2)


def test_it_is_plain_data() -> None:
    for delivered in (SLIPS, GEAR, {2.0: 0.98}, WELL):
        report = judged(3, delivered, at_ends=True).as_json(axis="e")
        assert json.loads(json.dumps(report, allow_nan=False)) == report
    report = after(NUMBER_STANDS).as_json(axis="e")
    assert report["proposal"]["basis"] == "measured"
    assert report["proposal"]["travel_per_rev_mm"] is None


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Run(0.0, (0.0, 10.0), (20.0, 10.0)), "more than 0 mm/s"),
        (lambda: Run(1.0, (0.0, 10.0), (20.0,)), "2 feeds and 1 distances"),
        (lambda: Run(1.0, (5.0, 5.0), (20.0, 20.0)), "readings at one place only"),
        (lambda: Run(1.0, (0.0, 10.0), (20.0, math.nan)), "expected a plain number"),
        (lambda: delivery([]), "no run of the feeder"),
        (
            lambda: delivery([Run(1.0, (0.0, 10.0), (20.0, 30.0))]),
            "the mark does not come nearer",
        ),
    ],
)
def test_what_no_feeder_does_is_refused(make, says: str) -> None:
    with pytest.raises(BadReadings, match=says):
        make()
