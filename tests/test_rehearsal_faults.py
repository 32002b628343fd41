"""Each fault of the simulated machines shows in what they do, and nothing else does."""

from __future__ import annotations

import math
import tomllib
from fractions import Fraction

import pytest

from tuner.card.read import parse_card
from tuner.errors import UsedWrongly
from tuner.rehearsal.faults import (
    BENCH_MULE,
    FAULTS,
    HEALTHY_MULE,
    HEALTHY_PACK_MULE,
    PACK_MULE,
    Mule,
    card_text,
    machine,
    machine_with,
)
from tuner.rehearsal.truth import HEALTHY

NAMES = {
    "none", "pulley-teeth", "screw-lead", "step-angle", "microsteps", "belt-pitch", "play",
    "eccentric-pulley", "inch-units", "wrong-way", "not-powered", "swapped-plugs",
    "stored-number", "gear-teeth", "feeder-diameter", "loose-pulley", "eccentric-idler", "drift",
    "skew", "unlike-screws", "lost-steps", "torque-limit", "hot-driver", "belt-jump", "slack-belt",
    "motor-released", "sinks", "datum-moved", "caliper-zero", "switch-scatter", "motor-phase",
    "limit-clipped", "speed-override", "restart", "cable-loose", "flow-override", "feeder-slip",
    "cold-feed-refused", "heater-dead", "sensor-loose", "sensor-out", "slipping-nut",
    "caliper-tilted", "misread", "move-not-made",
}  # fmt: skip


def drive(mule: Mule, *lines: str) -> dict[str, float]:
    """Send lines in millimetres and relative, wait, and return by how much each axis moved."""
    before_mm = mule.true_mm()
    for line in ("G21", "G91", *lines, "M400"):
        mule.controller.receive(f"{line}\n".encode(), mule.clock.now_s())
    mule.clock.advance(600.0)
    after_mm = mule.true_mm()
    return {axis: after_mm[axis] - before_mm[axis] for axis in after_mm}


def awake(
    fault: str | None, axis: str | None = None, seed: int = 1, name: str | None = None
) -> Mule:
    mule = machine(fault, axis, seed, name)
    mule.clock.advance(1.0)
    mule.true_mm()
    return mule


def test_table_is_complete_and_every_fault_says_one_sentence() -> None:
    assert set(FAULTS) == NAMES
    for name, fault in FAULTS.items():
        assert fault.name == name
        assert fault.axis in fault.axes
        assert set(fault.on) <= set(HEALTHY)
        for where, axes in fault.on.items():
            assert set(axes) <= set(HEALTHY[where].axes)
        assert fault.says[0].isupper()
        assert fault.says.endswith(".")
        assert fault.says.count(". ") == 0
        assert len(fault.says) <= 100


@pytest.mark.parametrize(
    ("fault", "axis", "commanded_mm", "true_mm"),
    [
        (None, "x", 40.0, 32.0),
        (None, "y", 40.0, 40.0),
        (None, "z", 40.0, 50.0),
        ("none", "x", 40.0, 40.0),
        ("none", "y", 40.0, 40.0),
        ("none", "z", 40.0, 40.0),
        ("pulley-teeth", "x", 40.0, 32.0),
        ("pulley-teeth", "y", 40.0, 32.0),
        ("screw-lead", "z", 40.0, 50.0),
        ("step-angle", "x", 40.0, 20.0),
        ("step-angle", "z", 40.0, 20.0),
        ("microsteps", "x", 40.0, 80.0),
        ("microsteps", "z", 20.0, 40.0),
        ("belt-pitch", "x", 40.0, 40.64),
        ("belt-pitch", "y", 100.0, 101.6),
        ("inch-units", "x", 1.0, 25.4),
        ("inch-units", "z", -1.0, -25.4),
        ("wrong-way", "x", 40.0, -40.0),
        ("wrong-way", "z", 40.0, -40.0),
        ("not-powered", "x", 40.0, 0.0),
        ("not-powered", "z", 40.0, 0.0),
        ("stored-number", "x", 40.0, 50.0),
        ("stored-number", "z", 40.0, 50.0),
    ],
)
def test_scale_that_a_fault_gives(
    fault: str | None, axis: str, commanded_mm: float, true_mm: float
) -> None:
    """A first move takes up the play, so that the second shows the scale alone."""
    mule = awake(fault, axis)
    letter = axis.upper()
    first_mm = 0.1 if commanded_mm > 0 else -0.1
    drive(mule, f"G1 {letter}{first_mm:g} F600")
    moved_mm = drive(mule, f"G1 {letter}{commanded_mm:g} F600")
    assert moved_mm.pop(axis) == pytest.approx(true_mm, abs=1e-9)
    assert set(moved_mm.values()) == {0.0}


@pytest.mark.parametrize(
    ("fault", "axis", "play_mm"),
    [("none", "x", 0.02), ("none", "y", 0.03), ("none", "z", 0.01), ("play", "x", 0.30),
     ("play", "z", 0.30), (None, "x", 0.02), (None, "z", 0.01)],
)  # fmt: skip
def test_play(fault: str | None, axis: str, play_mm: float) -> None:
    mule = awake(fault, axis)
    letter = axis.upper()
    out_mm = drive(mule, f"G1 {letter}1 F600", f"G1 {letter}40 F600")[axis]
    back_mm = drive(mule, f"G1 {letter}-41 F600")[axis]
    assert out_mm + play_mm / 2 == pytest.approx(-(back_mm - play_mm), abs=1e-9)


def test_play_stays_on_its_axis() -> None:
    assert machine("play", "z", 1).truth.axes["x"] == HEALTHY_MULE.axes["x"]


def test_eccentric_pulley_is_out_by_its_amplitude_within_a_turn_and_not_after_it() -> None:
    mule = awake("eccentric-pulley")
    drive(mule, "G1 X10 F600")
    off_mm, at_mm = [], 0.0
    for n in range(1, 9):
        at_mm += drive(mule, "G1 X5 F600")["x"]
        off_mm.append(at_mm - 5.0 * n)
    assert off_mm[-1] == pytest.approx(0.0, abs=1e-9)
    assert 0.25 < max(off_mm) - min(off_mm) <= 0.30


def test_the_seed_turns_the_eccentric_pulley() -> None:
    moved_mm = {
        seed: drive(awake("eccentric-pulley", seed=seed), "G1 X10 F600")["x"] for seed in (1, 2)
    }
    assert moved_mm[1] != moved_mm[2]
    assert drive(awake("eccentric-pulley", seed=1), "G1 X10 F600")["x"] == moved_mm[1]


@pytest.mark.parametrize(("axis", "other"), [("x", "y"), ("y", "x"), ("z", "y")])
def test_swapped_plugs_move_each_other(axis: str, other: str) -> None:
    mule = awake("swapped-plugs", axis)
    moved_mm = drive(mule, f"G1 {axis.upper()}1 F60")
    assert [name for name, by_mm in moved_mm.items() if by_mm] == [other]
    moved_mm = drive(mule, f"G1 {other.upper()}0.2 F60")
    assert [name for name, by_mm in moved_mm.items() if by_mm] == [axis]


def test_natural_axis_is_taken_when_none_is_named() -> None:
    elsewhere = {
        "screw-lead": "z", "slipping-nut": "z", "unlike-screws": "z", "sinks": "z",
        "gear-teeth": "e",
        "feeder-diameter": "e", "flow-override": "e", "feeder-slip": "e", "cold-feed-refused": "e",
        "heater-dead": "e", "sensor-loose": "e", "sensor-out": "e",
    }  # fmt: skip
    for name in NAMES:
        mule = machine(name, None, 1)
        assert mule.axis == elsewhere.get(name, "x")
        has_it = name in elsewhere and name not in ("screw-lead", "slipping-nut")
        assert mule.name == (PACK_MULE if has_it else BENCH_MULE)


@pytest.mark.parametrize(
    ("fault", "axis", "name"),
    [
        (None, None, BENCH_MULE),
        (None, "z", BENCH_MULE),
        (None, "e", PACK_MULE),
        (None, "q", BENCH_MULE),
        ("none", "c", PACK_MULE),
        ("microsteps", "e", PACK_MULE),
        ("gear-teeth", None, PACK_MULE),
        ("gear-teeth", "x", PACK_MULE),
        ("rust", None, BENCH_MULE),
    ],
)
def test_the_machine_for_a_fault_and_an_axis(
    fault: str | None, axis: str | None, name: str
) -> None:
    assert machine_with(fault, axis) == name


def test_every_fault_changes_the_truth_of_every_machine_and_axis_that_can_have_it() -> None:
    for fault in FAULTS.values():
        for name, axes in fault.on.items():
            for axis in axes:
                truth = machine(fault.name, axis, 1, name).truth
                assert (truth == HEALTHY[name]) == (fault.name == "none")


def test_the_pack_mule_without_a_fault_is_healthy() -> None:
    assert machine(None, None, 1, PACK_MULE).truth == HEALTHY_PACK_MULE


def test_without_a_fault_the_axis_does_not_matter() -> None:
    mule = machine(None, "y", 1)
    assert (mule.fault, mule.axis) == (None, None)
    assert mule.truth == machine(None, None, 1).truth


@pytest.mark.parametrize(
    ("fault", "axis", "says"),
    [
        ("rust", None, "there is no fault 'rust'; choose one of: none, pulley-teeth"),
        ("", None, "there is no fault ''"),
        ("a\x1b[2J", None, r"there is no fault 'a\\x1b\[2J'"),
        ("screw-lead", "x", "axis 'x' cannot have the fault screw-lead; choose one of: z"),
        ("pulley-teeth", "z", "choose one of: x, y"),
        ("play", "e", "axis 'e' cannot have the fault play"),
        ("sinks", "x", "axis 'x' cannot have the fault sinks; choose one of: z"),
    ],
)
def test_faults_that_cannot_be(fault: str, axis: str | None, says: str) -> None:
    with pytest.raises(UsedWrongly, match=says):
        machine(fault, axis, 1)


def test_carriages_start_within_their_range() -> None:
    assert machine(None, None, 1).true_mm() == {"x": 100.0, "y": 100.0, "z": 50.0}
    assert not machine(None, None, 1).is_moving()


@pytest.mark.parametrize("name", [BENCH_MULE, PACK_MULE])
def test_card_is_what_a_healthy_machine_would_be(name: str) -> None:
    """The card and the healthy truth agree part by part, and the stored number with the parts."""
    card = tomllib.loads(card_text(name), parse_float=Fraction)
    healthy = HEALTHY[name]
    assert card["schema"] == 1
    assert card["machine"]["name"].lower().replace(" ", "-") == name
    assert (card["machine"]["layout"] == "coupled-belts") == healthy.habits.coupled_belts
    assert card["caliper"] == {
        "range_mm": 150, "resolution_mm": Fraction("0.01"), "error_limit_mm": Fraction("0.03"),
    }  # fmt: skip
    assert list(card["axes"]) == list(healthy.axes)
    for axis, truth in healthy.axes.items():
        told = card["axes"][axis]
        parts, motor = told["drive"], told["motor"]
        assert parts["kind"] == truth.kind
        match truth.kind:
            case "belt":
                assert (parts["pitch_mm"], parts["pulley_teeth"]) == (truth.pitch_mm, truth.count)
            case "screw":
                assert (parts["pitch_mm"], parts["starts"]) == (truth.pitch_mm, truth.count)
            case "feeder":
                assert float(parts["diameter_mm"]) == truth.diameter_mm
        assert [(one["driver"], one["driven"]) for one in told["gears"]] == (
            [] if truth.gear == (1, 1) else [truth.gear]
        )
        assert motor["step_angle_deg"] == Fraction(str(truth.step_angle_deg))
        assert motor["microsteps"] == truth.microsteps
        unit = "deg" if truth.kind == "rotary" else "mm"
        assert told["stored"] == {f"steps_per_{unit}": Fraction(str(truth.held_steps_per_mm))}
        if truth.kind != "feeder":
            assert tuple(told[f"range_{unit}"]) == truth.range_mm
            assert told.get("vertical", False) == truth.vertical
        assert told.get("motors", 1) == (1 if truth.second_pitch_mm is None else 2)
        per_output_turn = 360 / motor["step_angle_deg"] * motor["microsteps"] * truth.gear[1]
        assert truth.held_steps_per_mm == pytest.approx(
            float(per_output_turn) / truth.gear[0] / truth.travel_per_rev_mm, rel=1e-5
        )


@pytest.mark.parametrize("name", [BENCH_MULE, PACK_MULE])
def test_card_is_read_without_a_finding(name: str) -> None:
    card = parse_card(card_text(name), name)
    assert list(card.axes) == list(HEALTHY[name].axes)


# --- the Pack mule ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "axis", "letter", "by_mm", "moved"),
    [
        ("none", "x", "X", 40, {"x": 40.0}),
        ("none", "x", "Y", 40, {"y": 40.0}),
        ("none", "z", "Z", 40, {"z": 40.0}),
        ("none", "c", "C", 360, {"c": 360.0}),
        # one wrong motor of two slants the move
        ("pulley-teeth", "x", "X", 40, {"x": 36.0, "y": -4.0}),
        ("pulley-teeth", "x", "Y", 40, {"x": -4.0, "y": 36.0}),
        ("pulley-teeth", "y", "X", 40, {"x": 36.0, "y": 4.0}),
        ("step-angle", "x", "X", 40, {"x": 30.0, "y": -10.0}),
        ("microsteps", "y", "X", 20, {"x": 30.0, "y": -10.0}),
        ("belt-pitch", "x", "X", 100, {"x": 100.8, "y": 0.8}),
        ("stored-number", "x", "X", 40, {"x": 45.0, "y": 5.0}),
        ("not-powered", "x", "X", 40, {"x": 20.0, "y": -20.0}),
        ("wrong-way", "x", "X", 40, {"y": -40.0}),
        ("swapped-plugs", "x", "X", 40, {"x": 40.0}),
        ("swapped-plugs", "x", "Y", 40, {"y": -40.0}),
        ("step-angle", "z", "Z", 40, {"z": 20.0}),
        ("unlike-screws", "z", "Z", 30, {"z": (30.0 + 30.0 * 25.4 / 24) / 2}),
        ("gear-teeth", "c", "C", 89, {"c": 90.0}),
        ("microsteps", "c", "C", 90, {"c": 180.0}),
        ("wrong-way", "c", "C", 90, {"c": -90.0}),
    ],
)
def test_moves_of_the_pack_mule(
    fault: str, axis: str, letter: str, by_mm: int, moved: dict[str, float]
) -> None:
    """A short move before takes up the play, so that this one shows the scale alone."""
    mule = awake(fault, axis, name=PACK_MULE)
    drive(mule, f"G1 {letter}2 F600")
    assert drive(mule, f"G1 {letter}{by_mm} F600") == pytest.approx(
        dict.fromkeys("xyzce", 0.0) | moved, abs=1e-9
    )


def test_weight_hides_the_play_of_the_vertical_axis() -> None:
    mule = awake("play", "z", name=PACK_MULE)
    assert drive(mule, "G1 Z10 F240")["z"] == pytest.approx(10.0, abs=1e-9)
    assert drive(mule, "G1 Z-10 F240")["z"] == pytest.approx(-10.0, abs=1e-9)


def test_the_table_has_play() -> None:
    mule = awake("none", "c")
    drive(mule, "G1 C90 F1500")
    assert drive(mule, "G1 C-90 F1500")["c"] == pytest.approx(-89.9, abs=1e-9)


def test_unlike_screws_tilt_what_they_carry() -> None:
    mule = awake("unlike-screws")
    drive(mule, "G1 Z30 F240")
    assert mule.at_screws_mm("z") == pytest.approx((90.0, 60.0 + 30.0 * 25.4 / 24))
    healthy = awake("none", "z", name=PACK_MULE)
    drive(healthy, "G1 Z30 F240")
    assert healthy.at_screws_mm("z") == pytest.approx((90.0, 90.0))
    assert healthy.at_screws_mm("x") == (80.0,)


def test_what_sinks_does_so_after_two_minutes_and_at_a_halt() -> None:
    mule = awake("sinks")
    # 10 mm at 4 mm/s, and 600 s until the next look
    assert drive(mule, "G1 Z10 F240")["z"] == pytest.approx(10.0 - 12.0)
    mule.controller.receive(b"G1 Z1 F240\n", mule.clock.now_s())
    mule.clock.advance(9.0)
    held_mm = mule.true_mm()["z"]
    mule.controller.receive(b"M112\n", mule.clock.now_s())
    assert mule.true_mm()["z"] == pytest.approx(held_mm - 12.0)
    firm = awake("none", "z", name=PACK_MULE)
    assert drive(firm, "G1 Z10 F240")["z"] == pytest.approx(10.0)


# --- the feeder -------------------------------------------------------------------------


def fed(mule: Mule, mm: float, mm_per_s: float) -> float:
    """Feed twice `mm` and return what the second time delivers."""
    for line in ("M83", f"G1 E{mm:g} F{60 * mm_per_s:g}"):
        mule.controller.receive(f"{line}\n".encode(), mule.clock.now_s())
    mule.clock.advance(600.0)
    before_mm = mule.true_mm()["e"]
    mule.controller.receive(f"G1 E{mm:g}\n".encode(), mule.clock.now_s())
    mule.clock.advance(600.0)
    return mule.true_mm()["e"] - before_mm


@pytest.mark.parametrize(
    ("fault", "part"),
    [
        ("none", 1.0),
        ("gear-teeth", 51 / 50),  # 17 driving 50 for 17 driving 51: 2 % more at every speed
        ("feeder-diameter", 7.15 / 7.3),
        ("flow-override", 0.9),
        ("feeder-slip", 1.0),
        ("step-angle", 0.5),
        ("stored-number", 1.25),
    ],
)
@pytest.mark.parametrize("mm_per_s", [1.0, 6.0])
def test_feed_with_the_filament_free_is_the_same_at_every_speed(
    fault: str, part: float, mm_per_s: float
) -> None:
    mule = awake(fault, "e")
    mule.free_filament(True)
    assert fed(mule, 50.0, mm_per_s) == pytest.approx(50.0 * part, rel=1e-4)


@pytest.mark.parametrize(
    ("fault", "mm_per_s", "part"),
    [
        ("feeder-slip", 1.0, 0.97), ("feeder-slip", 3.0, 0.94), ("feeder-slip", 6.0, 0.88),
        ("none", 1.0, 0.9994), ("none", 6.0, 0.9934),
        ("gear-teeth", 1.0, 0.9994 * 1.02),
    ],
)  # fmt: skip
def test_feed_through_the_hot_nozzle(fault: str, mm_per_s: float, part: float) -> None:
    mule = awake(fault, "e")
    mule.controller.receive(b"M104 S210\n", mule.clock.now_s())
    mule.clock.advance(200.0)
    assert mule.temperature_c() == 210.0
    # speed, and so slip, is that of the wheel: with the gears of 17 and 50 a little more
    assert fed(mule, 50.0, mm_per_s) == pytest.approx(50.0 * part, rel=2e-4)


def test_filament_in_a_cold_nozzle_stays_where_it_is() -> None:
    assert fed(awake("none", "e"), 10.0, 1.0) == 0.0


def test_cold_feed_refused() -> None:
    mule = awake("cold-feed-refused")
    mule.free_filament(True)
    assert fed(mule, 10.0, 1.0) == 0.0
    assert mule.controller.due(mule.clock.now_s()).count(b"error: too cold to feed") == 2


# --- what is lost on the way, and what wanders ------------------------------------------


def strokes(mule: Mule, letter: str, mm: float, feed: float, count: int) -> list[float]:
    """Go `mm` out at `feed` and slowly back, and return what is missing each time, in mm."""
    axis = letter.lower()
    missing_mm, start_mm = [], mule.true_mm()[axis]
    for _ in range(count):
        drive(mule, f"G1 {letter}{mm:g} F{feed:g}", f"G1 {letter}{-mm:g} F600")
        now_mm = mule.true_mm()[axis]
        missing_mm.append(start_mm - now_mm)
        start_mm = now_mm
    return missing_mm


@pytest.mark.parametrize(
    ("fault", "unit_mm", "most"), [("torque-limit", 0.8, 3), ("slack-belt", 2.0, 2)]
)
def test_a_feed_above_the_limit_loses_whole_units_and_below_it_nothing(
    fault: str, unit_mm: float, most: int
) -> None:
    """2.5 turns of 40 mm are 100 mm/s; from 120 on something is lost every time."""
    mule = awake(fault)
    drive(mule, "G1 X-60 F1200", "G1 X1 F1200", "G1 X-1 F1200")
    assert strokes(mule, "X", 100.0, 6000.0, 3) == pytest.approx([0.0, 0.0, 0.0], abs=0.021)
    units = [one / unit_mm for one in strokes(mule, "X", 100.0, 7200.0, 12)]
    assert units == pytest.approx([round(one) for one in units], abs=0.03)
    assert {1, most} <= {round(one) for one in units} <= set(range(1, most + 1))


def test_too_short_a_way_for_the_feed_loses_nothing() -> None:
    """120 mm/s at 500 mm/s2 need 28.8 mm; over 10 mm only 71 mm/s are reached.

    The first stroke begins in the middle of the play of 0.02 mm.
    """
    assert strokes(awake("torque-limit"), "X", 10.0, 7200.0, 4) == pytest.approx(
        [-0.01, 0.0, 0.0, 0.0], abs=1e-9
    )


def test_a_hot_driver_loses_nothing_in_ten_minutes_and_something_in_an_hour() -> None:
    mule = awake("hot-driver")

    def to_and_fro() -> int:
        for line in ("G91", *["G1 X20 F3000", "G1 X-20 F3000"] * 4):
            mule.controller.receive(f"{line}\n".encode(), mule.clock.now_s())
        mule.clock.advance(30.0)
        return mule.lost_cycles("x")

    assert [to_and_fro() for _ in range(19)] == [0] * 19
    assert not mule.is_driver_hot("x")
    mule.clock.advance(3000.0)
    assert mule.is_driver_hot("x")
    later = [to_and_fro() for _ in range(4)]
    assert any(later)


@pytest.mark.parametrize(
    ("fault", "axis", "unit_mm", "most"),
    [("lost-steps", "x", 0.8, 3), ("lost-steps", "z", 0.08, 3), ("belt-jump", "y", 2.0, 1)],
)
@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_what_happens_once_happens_in_an_early_long_move(
    fault: str, axis: str, unit_mm: float, most: int, seed: int
) -> None:
    mule = awake(fault, axis, seed)
    missing_mm = strokes(mule, axis.upper(), 45.0, 600.0, 6)
    units = [round(one / unit_mm) for one in missing_mm]
    assert len([one for one in units if one]) == 1
    assert abs(sum(units)) in range(1, most + 1)
    assert any(units[:2])
    assert sum(missing_mm) == pytest.approx(unit_mm * sum(units), abs=0.02)


def test_a_nut_slips_under_load_only_and_by_no_multiple_of_anything() -> None:
    """Strokes of 45 mm: what is missing each time is nothing, or 0.3 to 0.7 mm."""
    mule = awake("slipping-nut")
    drive(mule, "G1 Z-20 F600", "G1 Z5 F600", "G1 Z-1 F600")
    slips_mm = [one for one in strokes(mule, "Z", 45.0, 600.0, 20) if one > 0.02]
    assert 4 <= len(slips_mm) <= 16
    assert min(slips_mm) >= 0.3 - 0.011
    assert max(slips_mm) <= 0.7 + 0.011
    assert len({round(one, 3) for one in slips_mm}) == len(slips_mm)


def test_a_move_that_is_taken_and_not_made_is_missing_for_good() -> None:
    mule = awake("move-not-made")
    moved_mm = [drive(mule, "G1 X10 F600")["x"] for _ in range(4)]
    assert moved_mm == pytest.approx([9.99, 10.0, 0.0, 10.0])
    assert mule.commanded()["x"] == 40.0


def test_a_motor_that_was_released_comes_back_elsewhere() -> None:
    """Up to two full steps of 0.2 mm; 600 s pass after every move."""
    mule = awake("motor-released")
    moved_mm = [drive(mule, "G1 X2 F600")["x"] for _ in range(8)]
    off_mm = [one - 2.0 for one in moved_mm[1:]]
    assert 0.05 < max(map(abs, off_mm)) <= 0.4 + 1e-9
    quick = awake("motor-released")
    assert drive(quick, *["G1 X2 F600"] * 8)["x"] == pytest.approx(15.99)


def test_loose_pulley_loses_another_length_at_every_reversal() -> None:
    mule = awake("loose-pulley")
    moves_mm = [drive(mule, f"G1 X{by:g} F1200")["x"] for by in (30, -30, 30, -30, 30, -30)]
    lost_mm = [30.0 - abs(one) for one in moves_mm[1:]]
    assert min(lost_mm) >= 0.2
    assert max(lost_mm) <= 1.5
    assert max(lost_mm) - min(lost_mm) > 0.2


def test_eccentric_idler_comes_round_in_fifty_millimetres() -> None:
    mule = awake("eccentric-idler")
    drive(mule, "G1 X10 F600")
    off_mm, at_mm = [], 0.0
    for n in range(1, 11):
        at_mm += drive(mule, "G1 X5 F600")["x"]
        off_mm.append(at_mm - 5.0 * n)
    assert off_mm[-1] == pytest.approx(0.0, abs=1e-9)
    assert abs(off_mm[7]) > 0.01  # not after one turn of the pulley
    assert 0.25 < max(off_mm) - min(off_mm) <= 0.30


def test_drift_goes_on_at_rest() -> None:
    mule = awake("drift", "y")
    before_mm = mule.true_mm()
    mule.clock.advance(1200.0)
    after_mm = mule.true_mm()
    assert after_mm["y"] - before_mm["y"] == pytest.approx(0.2)
    assert after_mm["x"] == before_mm["x"]


def test_worn_switch_leaves_the_axis_elsewhere_each_time() -> None:
    mule = awake("switch-scatter")
    places_mm = []
    for _ in range(12):
        for line in ("G28 X", "G91", "G1 X5 F600"):
            mule.controller.receive(f"{line}\n".encode(), mule.clock.now_s())
        mule.clock.advance(120.0)
        places_mm.append(mule.true_mm()["x"] - 4.98)
    assert max(map(abs, places_mm)) <= 0.1 + 0.0125 + 1e-9
    assert max(places_mm) - min(places_mm) > 0.05


def test_clipped_moves_stop_short_and_the_report_does_not_say_so() -> None:
    mule = awake("limit-clipped")
    assert drive(mule, "G1 X40 F3000")["x"] == pytest.approx(39.99)
    assert drive(mule, "G1 X40 F3000")["x"] == pytest.approx(5.0)
    assert mule.commanded()["x"] == 80.0
    assert drive(mule, "G1 X-40 F3000")["x"] == pytest.approx(-4.98)


def test_half_the_speed_takes_twice_the_time() -> None:
    for fault, seconds in (("none", 10.02), ("speed-override", 20.01)):
        mule = awake(fault)
        mule.controller.receive(b"G91\nG1 X100 F600\n", mule.clock.now_s())
        mule.clock.advance(seconds - 0.01)
        assert mule.is_moving()
        mule.clock.advance(0.02)
        assert not mule.is_moving()
        assert mule.true_mm()["x"] == pytest.approx(199.99)


# --- squareness -------------------------------------------------------------------------


@pytest.mark.parametrize("name", [BENCH_MULE, PACK_MULE])
def test_a_square_machine_makes_a_rectangle(name: str) -> None:
    frame = machine("none", None, 1, name).frame_mm(80.0, 60.0)
    assert (frame.side_x_mm, frame.side_y_mm) == pytest.approx((80.0, 60.0))
    assert (frame.rising_mm, frame.falling_mm) == pytest.approx((100.0, 100.0))


@pytest.mark.parametrize("name", [BENCH_MULE, PACK_MULE])
def test_skew_shows_in_the_diagonals(name: str) -> None:
    """cos of the angle between the sides = (D1^2 - D2^2) / (4ab), the law of cosines twice."""
    frame = machine("skew", None, 1, name).frame_mm(100.0, 100.0)
    assert (frame.side_x_mm, frame.side_y_mm) == pytest.approx((100.0, 100.0))
    cosine = (frame.rising_mm**2 - frame.falling_mm**2) / 4e4
    assert math.degrees(math.asin(cosine)) == pytest.approx(0.2)


def test_a_wrong_pulley_stretches_the_frame_and_one_of_coupled_belts_shears_it() -> None:
    frame = machine("pulley-teeth", "y", 1, BENCH_MULE).frame_mm(100.0, 100.0)
    assert (frame.side_x_mm, frame.side_y_mm) == pytest.approx((100.0, 80.0))
    assert frame.rising_mm == pytest.approx(frame.falling_mm)
    sheared = machine("pulley-teeth", "x", 1, PACK_MULE).frame_mm(100.0, 100.0)
    assert (sheared.rising_mm, sheared.falling_mm) == pytest.approx((80.0 * 2**0.5, 100.0 * 2**0.5))


def test_skew_shifts_x_when_y_moves() -> None:
    mule = awake("skew")
    drive(mule, "G1 Y5 F1200")
    moved_mm = drive(mule, "G1 Y100 F1200")
    assert moved_mm["x"] == pytest.approx(100.0 * math.sin(math.radians(0.2)))
    assert moved_mm["y"] == pytest.approx(100.0, abs=0.001)
