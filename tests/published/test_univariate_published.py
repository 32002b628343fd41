"""Mean and scatter of repeats against the univariate sets of NIST StRD and JCGM 100 4.4.3.

The certified answers are those of the decimal data. Where a small scatter sits on a large number
the data are not exact in double precision already: rounding one value by half a unit in its last
place moves the scatter by that much, and no program can know better.
"""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from tuner.metrology.least_squares import least_squares, repeatability

HERE = Path(__file__).parent
SETS = tomllib.loads((HERE / "nist_strd_univariate.toml").read_text(encoding="utf-8"))["dataset"]
GUM = tomllib.loads((HERE / "gum_small_samples.toml").read_text(encoding="utf-8"))


def values(sample: dict) -> list[float]:
    pairs = (sample["n"] - 1) // 2
    return sample.get("data") or [sample["first"], *[sample["low"], sample["high"]] * pairs]


@pytest.mark.parametrize("sample", SETS, ids=lambda one: one["name"])
def test_mean_and_scatter(sample):
    data = np.array(values(sample))
    assert len(data) == sample["n"]
    s, dof = repeatability([data])
    assert dof == sample["n"] - 1
    doubles_allow = np.spacing(data.max()) / sample["sd"]
    assert s == pytest.approx(sample["sd"], rel=max(1e-10, doubles_allow))
    mean = least_squares(np.ones((len(data), 1)), data).beta[0]
    assert mean == pytest.approx(sample["mean"], rel=1e-14)


def test_most_sets_are_held_to_ten_digits():
    tight = [one for one in SETS if np.spacing(max(values(one))) / one["sd"] <= 1e-10]
    assert {one["name"] for one in tight} == {"NumAcc2", "Michelso", "Mavro"}


def test_the_twenty_readings_of_4_4_3():
    """JCGM 100 4.4.3, Table 1: mean, s and s of the mean."""
    published = GUM["readings_4_4_3"]
    t = np.array(published["t"])
    s, dof = repeatability([t])
    assert least_squares(np.ones((20, 1)), t).beta[0] == pytest.approx(published["mean"], abs=5e-4)
    assert round(s, 2) == published["s_reported"]
    assert round(s / np.sqrt(dof + 1), 2) == published["s_mean_reported"]


def test_groups_are_pooled_about_their_own_means():
    """13 nm from 25 readings is what JCGM 100 H.1 pools; here three groups by hand."""
    groups = [[1.0, 1.2], [7.0, 7.1, 7.2], [3.0, 3.0]]
    s, dof = repeatability(groups)
    assert dof == 1 + 2 + 1
    assert s == pytest.approx(np.sqrt((0.02 + 0.02 + 0.0) / 4))
    assert repeatability([]) == (0.0, 0)
