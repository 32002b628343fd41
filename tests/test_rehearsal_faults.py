"""Each fault of the simulated machine shows in what the machine does, and nothing else does."""

from __future__ import annotations

import tomllib
from fractions import Fraction

import pytest

from tuner.errors import UsedWrongly
from tuner.rehearsal.faults import FAULTS, HEALTHY_MULE, Mule, card_text, machine

NAMES = {
    "none", "pulley-teeth", "screw-lead", "step-angle", "microsteps", "belt-pitch", "play",
    "eccentric-pulley", "inch-units", "wrong-way", "not-powered", "swapped-plugs",
    "stored-number",
}  # fmt: skip


def drive(mule: Mule, *lines: str) -> dict[str, float]:
    """Send lines in millimetres and relative, wait, and return by how much each axis moved."""
    before_mm = mule.true_mm()
    for line in ("G21", "G91", *lines, "M400"):
        mule.controller.receive(f"{line}\n".encode(), mule.clock.now_s())
    mule.clock.advance(600.0)
    after_mm = mule.true_mm()
    return {axis: after_mm[axis] - before_mm[axis] for axis in after_mm}


def awake(fault: str | None, axis: str | None = None, seed: int = 1) -> Mule:
    mule = machine(fault, axis, seed)
    mule.clock.advance(1.0)
    mule.true_mm()
    return mule


def test_table_is_complete_and_every_fault_says_one_sentence() -> None:
    assert set(FAULTS) == NAMES
    for name, fault in FAULTS.items():
        assert fault.name == name
        assert fault.axis in fault.axes
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
    assert {name: machine(name, None, 1).axis for name in sorted(NAMES)} == {
        name: "z" if name == "screw-lead" else "x" for name in sorted(NAMES)
    }


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
    ],
)
def test_faults_that_cannot_be(fault: str, axis: str | None, says: str) -> None:
    with pytest.raises(UsedWrongly, match=says):
        machine(fault, axis, 1)


def test_carriages_start_within_their_range() -> None:
    assert machine(None, None, 1).true_mm() == {"x": 100.0, "y": 100.0, "z": 50.0}
    assert not machine(None, None, 1).is_moving()


def test_card_is_what_a_healthy_machine_would_be() -> None:
    """The card and the healthy truth agree part by part, and the stored number with the parts."""
    card = tomllib.loads(card_text(), parse_float=Fraction)
    assert card["schema"] == 1
    assert card["machine"]["name"] == "Bench mule"
    assert card["caliper"] == {
        "range_mm": 150, "resolution_mm": Fraction("0.01"), "error_limit_mm": Fraction("0.03"),
    }  # fmt: skip
    assert set(card["axes"]) == set(HEALTHY_MULE.axes)
    for axis, truth in HEALTHY_MULE.axes.items():
        told = card["axes"][axis]
        drive_told, motor = told["drive"], told["motor"]
        count = drive_told["pulley_teeth" if truth.kind == "belt" else "starts"]
        assert (drive_told["kind"], drive_told["pitch_mm"], count) == (
            truth.kind, truth.pitch_mm, truth.count,
        )  # fmt: skip
        assert motor["step_angle_deg"] == Fraction(str(truth.step_angle_deg))
        assert motor["microsteps"] == truth.microsteps
        assert told["stored"] == {"steps_per_mm": truth.held_steps_per_mm}
        assert tuple(told["range_mm"]) == truth.range_mm
        per_turn = 360 / motor["step_angle_deg"] * motor["microsteps"]
        assert told["stored"]["steps_per_mm"] == per_turn / (drive_told["pitch_mm"] * count)
