import json
import math
from collections import Counter
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_axis import BELT, BELT_STORED, SCREW, SCREW_STORED, STEPPER, Truth, judge, read

from tuner.drive.parts import Belt, DriveTrain
from tuner.drive.scale import Form, Stored
from tuner.metrology.budget import Scale, measured_scale
from tuner.metrology.causes import odds_in_words
from tuner.metrology.fit import fit
from tuner.metrology.targets import plan_targets
from tuner.metrology.verdict import agree, decide, scale_bounds

NINETEEN = DriveTrain(Belt(Fraction(2), 19), STEPPER)


def verdicts(truth, *, seeds=100, **how):
    return [judge(truth, seed, **how) for seed in range(seeds)]


# --- simulated machines with a known truth ------------------------------------------------


@pytest.mark.parametrize(
    ("truth", "how", "changes", "travel"),
    [
        (Truth(0.8), {}, {"drive.pulley_teeth": 16}, 32),
        (Truth(0.8, eccentric_mm=0.02), {"n": 10}, {"drive.pulley_teeth": 16}, 32),
        (
            Truth(1.25, play_mm=0.01, turn_mm=4.0),
            {"train": SCREW, "stored": SCREW_STORED, "base_true_mm": 110.0},
            {"drive.pitch_mm": 5, "drive.starts": 1},
            5,
        ),
        (
            Truth(20 / 19),
            {"train": NINETEEN, "stored": Stored(Form.STEPS_PER_MM, NINETEEN.steps_per_mm)},
            {"drive.pulley_teeth": 20},
            40,
        ),
        (
            Truth(0.8),
            {"stored": Stored(Form.TRAVEL_PER_REV_MM, Fraction(40))},
            {"drive.pulley_teeth": 16},
            32,
        ),
    ],
    ids=["16-for-20", "16-for-20-ten", "lead-5-for-4", "20-for-19", "travel-stored"],
)
def test_a_wrong_part_is_found_exactly(truth, how, changes, travel):
    right = 0
    for found in verdicts(truth, **how):
        if found.verdict == "change":
            assert found.proposal.basis == "parts"
            assert found.proposal.changes == changes
            assert found.proposal.forms[Form.TRAVEL_PER_REV_MM] == travel
            assert found.value_known and not found.part_known
            assert found.next.startswith("power off and unplugged: ")
            right += 1
        assert found.scale.U_relative <= 0.003
    assert right >= 98


@pytest.mark.parametrize(
    ("truth", "n"), [(Truth(1.0), 4), (Truth(1.0), 10), (Truth(1.0, eccentric_mm=0.02), 10)]
)
def test_a_healthy_axis_is_kept(truth, n):
    found = Counter(one.verdict for one in verdicts(truth, n=n))
    assert found["keep"] >= 98
    assert found["change"] == 0


def test_an_unsteady_hand_changes_nothing():
    found = Counter(one.verdict for one in verdicts(Truth(1.0, sigma_mm=0.06), n=6))
    assert set(found) <= {"keep", "measure-again"}


@pytest.mark.parametrize("percent", [0.3, 0.5, 0.8, 1.1, 1.3, 1.5, -0.3, -0.9, -1.5])
@pytest.mark.parametrize("n", [4, 10])
def test_a_deviation_without_a_listed_cause_is_never_snapped(percent, n):
    for found in verdicts(Truth(1 + percent / 100), n=n, seeds=30):
        assert found.verdict in ("measure-again", "cannot-tell")
        assert found.proposal is None


def test_a_play_of_03_is_reported_and_the_number_kept():
    """Mixed: both are seen, separately."""
    for found in verdicts(Truth(1.0, play_mm=0.3), n=10, seeds=30):
        assert found.verdict == "keep"
        assert found.fit.play_mm == pytest.approx(0.3, abs=0.06)
        assert "mm on reversal" in found.next
    mixed = judge(Truth(0.8, play_mm=0.3), 1)
    assert mixed.verdict == "change"
    assert mixed.fit.play_mm == pytest.approx(0.3, abs=0.1)


# --- ties ---------------------------------------------------------------------------------


def test_a_tie_with_one_stored_number_is_a_change_with_open_parts():
    for found in verdicts(Truth(0.5), seeds=30):
        assert found.verdict == "change"
        assert {one.looks for one in found.tie} == {("step-angle=0.9",), ("microsteps=32",)}
        assert found.proposal.changes == {}
        assert found.proposal.forms[Form.STEPS_PER_MM] == 160
        assert found.value_known
        assert "step angle" in found.next and "microstep" in found.next


def test_a_tie_across_the_shaft_leaves_the_travel_open():
    found = judge(Truth(2.0), 0, base_true_mm=170.0)
    assert found.verdict == "change"
    assert {"microsteps=8", "pulley-teeth=40"} <= {one.looks[0] for one in found.tie}
    assert found.proposal.forms[Form.STEPS_PER_MM] == 40
    assert found.proposal.as_json()["travel_per_rev_mm"] is None
    assert "mark the motor shaft" in found.next and "40 mm" in found.next


@pytest.mark.parametrize("form", [Form.TRAVEL_PER_REV_MM, Form.TRAVEL_PER_MOTOR_REV_MM])
def test_where_step_counts_are_stored_apart_the_tie_cannot_be_decided(form):
    for found in verdicts(Truth(0.5), stored=Stored(form, Fraction(40)), seeds=30):
        assert found.verdict == "cannot-tell"
        assert found.proposal is None
        assert {one.name for one in found.tie} == {"step-angle", "microsteps"}
        assert found.value_known  # more readings do not help; a look does


def test_a_look_settles_a_tie():
    stored = Stored(Form.TRAVEL_PER_REV_MM, Fraction(40))
    found = judge(Truth(0.5), 0, stored=stored, looks={"microsteps=32": "confirmed"})
    assert (found.verdict, found.tie) == ("change", ())
    assert found.proposal.changes == {"motor.microsteps": 32}
    assert found.proposal.forms[Form.TRAVEL_PER_REV_MM] == 40
    assert found.part_known
    denied = judge(Truth(0.5), 0, looks={"microsteps=32": "denied"})
    assert denied.proposal.changes == {"motor.step_angle_deg": Fraction("0.9")}
    assert not denied.part_known


def test_a_belt_that_is_hard_to_tell_by_caliper_is_told_by_a_look():
    """2.032 for 2 mm pitch is 1.6 %, which wear can also give; 50 teeth of belt decide."""
    before = judge(Truth(1.016), 0)
    assert before.verdict == "cannot-tell"
    assert "measure 50 teeth of the belt: 101.6 mm" in before.next
    after = judge(Truth(1.016), 0, looks={"belt-pitch=2.032": "confirmed"})
    assert after.verdict == "change"
    assert after.proposal.changes == {"drive.pitch_mm": Fraction("2.032")}
    assert after.part_known
    assert judge(Truth(1.016), 0, looks={"belt-pitch=2.032": "denied"}).proposal is None


@pytest.mark.parametrize("form", [Form.TRAVEL_PER_REV_MM, Form.TRAVEL_PER_MOTOR_REV_MM])
@pytest.mark.parametrize("look", ["microsteps=32", "step-angle=0.9"])
def test_a_stored_travel_that_is_right_is_left(form, look):
    """Half the travel by a motor with twice the steps: 40 mm a turn stay 40 mm a turn."""
    stored = Stored(form, Fraction(40))
    found = judge(Truth(0.5), 0, stored=stored, looks={look: "confirmed"})
    assert found.verdict == "change"
    assert found.proposal.forms[form] == found.proposal.found[form] == 40
    assert found.next.startswith("leave the number, and set by hand the step counts")
    other = judge(Truth(0.5), 0, looks={look: "confirmed"})
    assert other.next.startswith("set the number by hand")


@pytest.mark.parametrize(
    ("truth", "how"),
    [
        (Truth(1.0), {}),
        (Truth(0.8), {}),
        (Truth(0.5), {}),
        (Truth(1.016), {}),
        (Truth(1.0), {"n": 2}),
        (Truth(1.0), {"base_true_mm": 10.0}),
        (Truth(1.0, eccentric_mm=0.3), {"n": 10}),
        (Truth(25.4), {"base_true_mm": 3175.0}),
    ],
)
def test_what_a_second_placing_does_not_help_asks_for_none(truth, how):
    found = judge(truth, 0, **how)
    assert not found.place_anew
    assert found.as_json(file=None, axis="x")["place_anew"] is False


@pytest.mark.parametrize("key", ["pulley-teeth", "pulley-teeth=16"])
def test_the_confirming_look_makes_the_part_known(key):
    found = judge(Truth(0.8), 0, looks={key: "confirmed"})
    assert found.part_known
    assert found.next.startswith("set the number by hand")


def test_a_number_that_may_be_misread_is_read_again_first():
    """The controller holds 100 where the card says 80: 25 teeth or a 2.5 mm belt fit as well."""
    for found in verdicts(Truth(1.25), seeds=30):
        assert found.verdict == "cannot-tell"
        assert "stored-number" in {one.name for one in found.tie}
        assert found.next.startswith("read the stored number again")
    read_again = judge(Truth(1.25), 0, looks={"stored-number": "confirmed"})
    assert read_again.verdict == "change"
    assert read_again.proposal.changes == {"stored.steps_per_mm": 80}


# --- stored number against parts ----------------------------------------------------------

CONTRADICTED = Stored(Form.STEPS_PER_MM, Fraction(100))


def test_parts_right_and_number_wrong():
    found = judge(Truth(1.25), 0, stored=CONTRADICTED)
    assert found.weighed.causes[0].name == "stored-number"
    assert found.verdict == "change"
    assert found.proposal.changes == {"stored.steps_per_mm": 80}
    assert found.proposal.forms[Form.TRAVEL_PER_REV_MM] == 40


def test_number_right_and_parts_misdescribed():
    found = judge(Truth(1.0), 0, stored=CONTRADICTED)
    assert found.verdict == "keep"
    assert "correct the card" in found.next


# --- what cancels out, what was excluded --------------------------------------------------


def test_parts_that_cancel_each_other_out_are_never_excluded():
    report = judge(Truth(1.0), 0).as_json(file=None, axis="x")
    (cancelling,) = [one for one in report["causes"] if one["name"] == "compensating"]
    assert len(cancelling["also"]) == 2
    assert cancelling["p"] < 0.01
    changed = judge(Truth(0.8), 0).as_json(file=None, axis="x")
    assert "compensating" not in {one["name"] for one in changed["causes"]}


def test_where_nothing_fits_the_nearest_parts_are_told():
    report = judge(Truth(1.007), 0).as_json(file=None, axis="x")
    (first, *_) = report["causes"]
    assert first["name"] == "not-listed"
    assert "nearest: 2.032 mm pitch, the card says 2: 1.0160" in first["says"]
    assert "u away" in first["says"]


def test_a_caliper_in_inch_is_read_again_and_a_controller_in_inch_put_right():
    caliper = judged_again(judge(Truth(1.0), 0), Scale(1 / 25.4, u=2e-5, U=4e-5, k=2.0, dof=40.0))
    assert (caliper.verdict, caliper.look.key) == ("measure-again", "inch-units=caliper")
    controller = judged_again(judge(Truth(1.0), 0), Scale(25.4, u=0.01, U=0.02, k=2.0, dof=40.0))
    assert (controller.verdict, controller.look.key) == ("repair-first", "inch-units=controller")


@pytest.mark.parametrize(
    ("p", "words"),
    [
        (0.5, "1 to 1"),
        (0.95, "19 to 1"),
        (0.25, "1 to 3"),
        (0.996, "250 to 1"),
        (0.0006, "1 to 1700"),
        (1.0, "more than 10000 to 1"),
        (0.0, "less than 1 to 10000"),
    ],
)
def test_odds_as_people_say_them(p, words):
    assert odds_in_words(p) == words


# --- order ------------------------------------------------------------------------------------

TRUTHS = (Truth(1.0), Truth(0.8), Truth(0.5), Truth(1.007), Truth(1.016), Truth(0.62))


@given(st.sampled_from(TRUTHS), st.permutations(range(10)), st.integers(0, 50))
@settings(max_examples=60, deadline=None)
def test_the_order_of_the_readings_does_not_matter(truth, order, seed):
    targets = plan_targets(BELT, BELT_STORED, reach=(0.0, 125.0 / truth.scale), over_mm=1.0)
    readings = read(targets, truth, seed)

    def said(some):
        result = fit(some, grows=1, resolution_mm=0.01, turn_mm=40.0)
        scale = measured_scale(result, error_limit_mm=0.03)
        found = decide(scale, BELT, BELT_STORED, fit=result, axis_length_mm=220.0)
        look = found.look.key if found.look else None
        return found.verdict, {one.looks for one in found.tie}, look, found.place_anew

    assert said([readings[at] for at in order]) == said(readings)


# --- too little, too strange --------------------------------------------------------------


def test_two_readings_decide_nothing():
    for scale in (1.0005, 1.0, 0.8):
        found = judge(Truth(scale), 0, n=2)
        assert found.verdict == "cannot-tell"
        assert found.proposal is None
        assert "four more readings" in found.next


def test_a_rise_and_fall_at_quarter_turns_does_not_pass_as_healthy_noise():
    found = Counter(one.verdict for one in verdicts(Truth(1.0, eccentric_mm=0.3), n=10))
    assert found["change"] == 0
    assert found["measure-again"] >= 90


def test_inch_units_are_put_right_first():
    found = judge(Truth(25.4), 0, base_true_mm=25.4 * 125)
    assert (found.verdict, found.proposal) == ("repair-first", None)
    assert "units" in found.next


def test_a_short_base_cannot_call_a_machine_right():
    found = judge(Truth(1.0), 0, base_true_mm=10.0)
    assert found.verdict == "measure-again"
    assert "over a longer way" in found.next


@pytest.mark.parametrize(
    ("value", "verdict", "words"),
    [(-1.0, "cannot-tell", "which way the caliper faces"), (0.001, "measure-again", "at all")],
)
def test_a_scale_that_is_no_ratio(value, verdict, words):
    base = judge(Truth(1.0), 0)
    found = judged_again(base, Scale(value, u=0.002, U=0.004, k=2.0, dof=10.0))
    assert found.verdict == verdict
    assert words in found.next
    assert found.as_json(file=None, axis="x")["causes"] == []


def judged_again(finding, scale, **how):
    how = {"axis_length_mm": 220.0} | how
    return decide(scale, finding.train, finding.stored, fit=finding.fit, **how)


# --- measured changes ---------------------------------------------------------------------


def off_by(u_off, u=0.0003):
    """A scale that is `u_off` of the deciding uncertainty (readings and parts) above 1."""
    value = math.exp(u_off * math.hypot(u, 0.0004))
    return Scale(value, u=u * value, U=2 * u * value, k=2.0, dof=40.0)


@pytest.mark.parametrize(
    ("u_off", "setups", "length_mm", "verdict"),
    [
        (2.4, 2, 220.0, "keep"),
        (2.6, 2, 220.0, "measure-again"),
        (2.9, 2, 220.0, "measure-again"),
        (3.1, 1, 220.0, "measure-again"),
        (3.1, 2, 220.0, "change"),
        (3.1, 2, 40.0, "keep"),  # 0.06 mm over the whole axis does not matter
        (10.0, 1, 220.0, "measure-again"),
        (10.0, 2, 220.0, "change"),
    ],
)
def test_a_caliper_alone_changes_a_number_only_when_it_is_clear(u_off, setups, length_mm, verdict):
    base = judge(Truth(1.0), 0)
    found = judged_again(base, off_by(u_off), setups=setups, axis_length_mm=length_mm)
    assert found.verdict == verdict
    # Only a second placing leads on where nothing but a caliper can give the number.
    assert found.place_anew == (verdict == "measure-again")
    if verdict == "change":
        scale = found.scale.value
        assert found.proposal.basis == "measured"
        steps = found.proposal.forms[Form.STEPS_PER_MM]
        # Rounded to two digits of its uncertainty, 0.024 steps per mm, and no further.
        assert abs(float(steps) - 80 / scale) <= 0.0005
        assert steps == round(steps, 3)
        assert found.proposal.forms[Form.TRAVEL_PER_REV_MM] == 3200 / steps
        assert found.proposal.changes == {
            "stored.steps_per_mm": found.proposal.forms[Form.STEPS_PER_MM]
        }


def test_a_measured_number_is_set_only_after_the_stored_one_was_read_again():
    base = judge(Truth(1.0), 0)
    found = judged_again(base, off_by(10.0), setups=2)
    report = found.as_json(file=None, axis="x")
    assert report["look"]["key"] == "stored-number"
    assert "to its last digit" in report["look"]["asks"] and "80 steps per mm" in found.next
    assert found.next.startswith("first read the stored number again from the controller")
    assert found.proposal is not None

    same = judged_again(base, off_by(10.0), setups=2, looks={"stored-number": "denied"})
    assert (same.verdict, same.look) == ("change", None)
    assert same.next.startswith("set the number by hand")
    assert same.proposal == found.proposal

    other = judged_again(base, off_by(10.0), setups=2, looks={"stored-number": "confirmed"})
    assert (other.verdict, other.proposal) == ("measure-again", None)
    assert "write that one into the card" in other.next


def test_a_described_machine_is_not_changed_just_above_the_bound():
    base = judge(Truth(1.0), 0)
    found = judged_again(base, off_by(2.51, u=0.00005))
    assert found.weighed.classes[0].predicted == 1
    assert found.weighed.classes[0].p > 0.95
    assert found.verdict == "measure-again"


def test_play_is_not_spoken_of_where_it_was_not_tested():
    found = judge(Truth(1.0, play_mm=0.5), 0, n=3)
    assert found.fit.play_mm is None
    assert "reversal" not in found.next
    assert "play_mm" in found.as_json(file=None, axis="x")["not_tested"]


def test_two_set_ups_agree_or_do_not():
    one = Scale(1.0100, u=0.0003, U=0.0006, k=2.0, dof=40.0)
    assert agree(one, replace(one, value=1.0110))
    assert not agree(one, replace(one, value=1.0112))


# --- the report ---------------------------------------------------------------------------

KEYS = {
    "schema",
    "file",
    "axis",
    "n",
    "scale",
    "travel_per_rev_mm",
    "play_mm",
    "periodic",
    "drift_mm_per_min",
    "not_tested",
    "suspect_readings",
    "jumps",
    "smallest_jump_mm",
    "causes",
    "tie",
    "next",
    "look",
    "verdict",
    "value_known",
    "place_anew",
    "proposal",
}


@pytest.mark.parametrize(
    ("truth", "how"),
    [
        (Truth(0.8), {}),
        (Truth(1.0), {"n": 10}),
        (Truth(0.5), {}),
        (Truth(1.01), {}),
        (Truth(1.0), {"n": 2}),
        (Truth(25.4), {"base_true_mm": 3175.0}),
        (Truth(1.0, sigma_mm=0.0, play_mm=0.0), {"n": 10}),
        (Truth(2.0), {"train": SCREW, "stored": SCREW_STORED, "base_true_mm": 110.0}),
    ],
)
def test_the_report_is_plain_and_complete_json(truth, how):
    found = judge(truth, 5, **how)
    report = found.as_json(file="readings.csv", axis="x")
    assert json.loads(json.dumps(report, allow_nan=False)) == report
    assert set(report) == KEYS
    for key in KEYS - {"proposal", "file", "look", "smallest_jump_mm"}:
        assert (report[key] is None) == (key in report["not_tested"]), key
    assert (report["proposal"] is None) == (report["verdict"] != "change")
    assert len(report["next"]) <= 400
    assert report["causes"]
    assert [one["p"] for one in report["causes"]] == sorted(
        (one["p"] for one in report["causes"]), reverse=True
    )
    json_mm = report["travel_per_rev_mm"]
    assert json_mm["measured"] == pytest.approx(report["scale"]["value"] * json_mm["stored"])


def test_the_report_of_the_first_axis_of_the_bench():
    report = judge(Truth(0.8, play_mm=0.02), 1).as_json(file=None, axis="x")
    assert report["verdict"] == "change"
    assert report["proposal"] == {
        "basis": "parts",
        "changes": {"drive.pulley_teeth": 16},
        "travel_per_rev_mm": 32.0,
        "travel_per_motor_rev_mm": 32.0,
        "steps_per_mm": 100.0,
        "mm_per_step": 0.01,
        "found": {
            "travel_per_rev_mm": 40.0,
            "travel_per_motor_rev_mm": 40.0,
            "steps_per_mm": 80.0,
            "mm_per_step": 0.0125,
        },
        "rounded": [{"decimals": 0, "value": 100.0, "off_mm": 0.0}],
    }
    assert report["look"]["key"] == "pulley-teeth=16"
    assert report["causes"][0]["odds"] == odds_in_words(report["causes"][0]["p"])
    assert report["tie"] == []
    assert report["next"] == (
        "power off and unplugged: count the teeth of the pulley on the motor shaft"
    )


# --- bounds for the safety ladder -----------------------------------------------------------


@pytest.mark.parametrize("scale", [0.0, 0.25, 0.5, 0.8, 1.0, 2.0, 4.0, 25.4])
@pytest.mark.parametrize("commanded_mm", [10.0, -10.0, 40.0])
@pytest.mark.parametrize("error_mm", [-0.26, 0.0, 0.26])
@pytest.mark.parametrize("play_mm", [0.0, 1.5])
def test_the_bounds_hold_the_truth_at_their_worst(scale, commanded_mm, error_mm, play_mm):
    moved = max(0.0, scale * abs(commanded_mm) - play_mm)
    end = 30.0 + math.copysign(moved + error_mm, commanded_mm)
    low, high = scale_bounds(30.0, end, commanded_mm)
    assert 0.0 <= low <= scale + 1e-9
    assert high >= scale - 1e-9


def test_a_move_of_nothing_has_no_bounds():
    with pytest.raises(ValueError, match="a move of 0 mm shows no scale"):
        scale_bounds(1.0, 1.0, 0.0)


def test_belt_axis_is_what_the_tests_say():
    assert (BELT.travel_per_rev_mm, BELT_STORED.value) == (40, 80)
