import math

import numpy as np
import pytest

from tuner.errors import BadReadings
from tuner.metrology.axis_test import axis_test

TARGETS = np.array([0.0, 21.0, 43.0, 66.0, 90.0])
RUNS = np.array([-0.02, -0.01, 0.0, 0.01, 0.02])  # standard deviation sqrt(0.00025)
S_MM = math.sqrt(0.00025)


def positions(offset_mm=0.0, runs=RUNS, targets=TARGETS):
    return targets[:, None] + offset_mm + runs[None, :]


def test_an_axis_with_play_alone():
    """Play makes the axis stop short on both sides, so half of it is missing on each."""
    found = axis_test(TARGETS, positions(-0.04), positions(0.04))
    assert found.runs == 5
    np.testing.assert_allclose(found.reversal_at_mm, -0.08)
    assert found.reversal_mm == pytest.approx(0.08)
    assert found.mean_reversal_mm == pytest.approx(-0.08)
    assert found.repeatability_mm == pytest.approx(4 * S_MM + 0.08)
    assert found.plus.repeatability_mm == pytest.approx(4 * S_MM)
    assert found.systematic_mm == pytest.approx(0.08)
    assert found.plus.systematic_mm == pytest.approx(0.0, abs=1e-12)
    assert found.mean_deviation_mm == pytest.approx(0.0, abs=1e-12)
    assert found.accuracy_mm == pytest.approx(0.08 + 4 * S_MM)


def test_a_side_that_scatters_far_more_than_the_other():
    """R at a target is then 4 s of that side, which is more than 2 s + 2 s + reversal."""
    found = axis_test(TARGETS, positions(0.001, runs=10 * RUNS), positions())
    assert found.repeatability_mm == pytest.approx(40 * S_MM)


def test_a_constant_added_to_every_position_changes_nothing_but_the_means():
    truth = axis_test(TARGETS, positions(-0.03), positions(0.05))
    moved = axis_test(TARGETS, positions(20.17), positions(20.25))
    for name in ("reversal_mm", "repeatability_mm", "systematic_mm", "accuracy_mm"):
        assert getattr(moved, name) == pytest.approx(getattr(truth, name)), name


def test_a_wrong_scale_is_systematic():
    found = axis_test(TARGETS, 1.001 * positions(), 1.001 * positions())
    assert found.systematic_mm == pytest.approx(0.09)
    assert found.mean_deviation_mm == pytest.approx(0.09)


def test_the_order_of_targets_does_not_matter():
    order = [3, 0, 4, 1, 2]
    one = axis_test(TARGETS, positions(-0.01), positions(0.02))
    other = axis_test(TARGETS[order], positions(-0.01)[order], positions(0.02)[order])
    assert other.accuracy_mm == pytest.approx(one.accuracy_mm)


def test_the_table_has_a_row_for_each_target_and_each_quantity():
    found = axis_test(TARGETS, positions(-0.04), positions(0.04))
    table = found.table()
    assert {len(row) for row in table} == {7}
    assert table[0][:3] == ("target", "mean plus", "mean minus")
    assert table[1] == ("0.000", "-0.040", "0.040", "-0.080", "0.016", "0.016", "0.143")
    cells = {row[0]: row[1:4] for row in table[len(TARGETS) + 1 :]}
    assert cells["axis"] == ("plus", "minus", "both")
    assert cells["reversal B"] == ("", "", "0.080")
    assert cells["repeatability R"] == ("0.063", "0.063", "0.143")
    assert cells["systematic E"] == ("0.000", "0.000", "0.080")
    assert cells["accuracy A"] == ("0.063", "0.063", "0.143")


@pytest.mark.parametrize(
    ("targets", "plus", "minus", "says"),
    [
        (TARGETS[:4], positions()[:4], positions()[:4], "at least 5 places"),
        (TARGETS[:, None], positions(), positions(), "in one row"),
        (7.0, positions(), positions(), r"targets of shape \(\)"),
        (TARGETS, positions()[:, :4], positions()[:, :4], "at least 5 runs"),
        (TARGETS, positions()[:4], positions(), r"\(4, 5\) arriving in plus"),
        (TARGETS, positions(), positions()[0], r"\(5,\) arriving in minus"),
        (TARGETS, positions(runs=np.arange(6.0)), positions(), "6 runs in plus and 5 in minus"),
        (TARGETS, positions(math.nan), positions(), "no number"),
        (TARGETS, positions(), positions(math.inf), "no number"),
        (TARGETS, positions(1e300), positions(), "within 1e"),
        ([0.0, 0.0, 1.0, 2.0, 3.0], positions(), positions(), "at one place"),
    ],
)
def test_what_is_no_axis_test_is_refused(targets, plus, minus, says):
    with pytest.raises(BadReadings, match=says):
        axis_test(targets, plus, minus)


def test_the_picture_shows_each_mean_between_its_two_sigma():
    plus = positions(-0.1) + np.tile([-0.02, 0.0, 0.02, 0.0, 0.0], (len(TARGETS), 1))
    heading, *lines = axis_test(TARGETS, plus, positions(0.1)).picture()
    assert "left edge" in heading and len(lines) == 2 * len(TARGETS)
    for arriving_plus, arriving_minus in zip(lines[::2], lines[1::2], strict=True):
        assert "plus" in arriving_plus and "minus" in arriving_minus
        assert arriving_plus.index("o") < arriving_minus.index("o")
        assert "-o-" in arriving_plus and arriving_minus.endswith("-o----]")


def test_a_picture_of_nothing_has_a_width():
    flat = axis_test(TARGETS, positions(), positions())
    assert {len(line) for line in flat.picture()[1:]} == {len(flat.picture()[1])}


# --- what is loose --------------------------------------------------------------------------


def runs(seed, offsets_plus, offsets_minus, hand_mm=0.02):
    """Five runs over five targets; each run as a whole stands off by its own offset."""
    random = np.random.default_rng(seed)
    targets = np.array([0.0, 23.0, 51.0, 74.0, 100.0])
    sides = [
        targets[:, None] + np.array(one)[None, :] + random.normal(0.0, hand_mm, (5, 5))
        for one in (offsets_plus, offsets_minus)
    ]
    return axis_test(targets, *sides)


STILL = [0.0] * 5


def test_runs_that_come_to_rest_elsewhere_each_time():
    seen = 0
    for seed in range(100):
        random = np.random.default_rng(1000 + seed)
        loose = random.uniform(0.1, 0.75, (2, 5))
        seen += runs(seed, *loose).comes_elsewhere is not None
    assert seen >= 94  # the others happen to come to rest near each other
    assert (
        runs(0, [0.0, 0.2, 0.0, 0.0, 0.0], [0.3, -0.2, 0.1, -0.3, 0.2]).comes_elsewhere == "minus"
    )


@pytest.mark.parametrize(
    "offsets",
    [
        STILL,
        [0.0, 0.0, 0.8, 0.8, 0.8],  # one jump
        [0.0, 0.05, 0.1, 0.15, 0.2],  # a drift
        [0.0, 0.0, 0.0, 0.0, 0.3],
    ],
)
def test_jumps_and_drifts_are_nothing_loose(offsets):
    assert not any(runs(seed, offsets, offsets).comes_elsewhere for seed in range(100))


def test_a_hand_without_any_scatter_sees_nothing_loose():
    assert runs(0, STILL, STILL, hand_mm=0.0).comes_elsewhere is None
