import math

import numpy as np
import pytest

from tuner.errors import BadReadings
from tuner.metrology.reading import Columns, Reading, columns


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_reading_is_a_plain_number(bad):
    with pytest.raises(BadReadings, match=r"reading 3 is .* read the caliper again"):
        Reading(10.0, bad, "plus", n=3)
    with pytest.raises(BadReadings, match="reading 3"):
        Reading(bad, 10.0, "plus", n=3)


def test_the_side_of_arrival_is_plus_minus_or_unknown():
    assert [Reading(0.0, 0.0, side, n=1).approach for side in ("plus", "minus", None)] == [
        "plus",
        "minus",
        None,
    ]
    with pytest.raises(BadReadings, match="approach 'left'; expected plus or minus"):
        Reading(0.0, 0.0, "left", n=1)


@pytest.mark.parametrize("far", [1.1e6, -1e300, 1e300])
def test_nothing_is_further_than_a_kilometre(far):
    for one in ((far, 1.0), (1.0, far)):
        with pytest.raises(BadReadings, match=r"reading 3 .* look where the decimal point stands"):
            Reading(*one, "plus", n=3)
    Reading(1e6, -1e6, None, n=1)


@pytest.mark.parametrize("time_s", [math.nan, math.inf])
def test_a_time_is_a_plain_number(time_s):
    with pytest.raises(BadReadings, match="reading 2 was taken at"):
        Reading(1.0, 1.0, "plus", n=2, time_s=time_s)


# --- columns ------------------------------------------------------------------------------


def made(n=4, **other):
    parts = {
        "commanded_mm": np.arange(n, dtype=float),
        "reading_mm": np.arange(n, dtype=float),
        "side": np.ones(n),
        "visit": np.ones(n, dtype=np.int64),
    }
    return Columns(**{**parts, **other})


def test_readings_become_columns_in_their_order():
    readings = [
        Reading(1.0, 2.0, "minus", n=1, visit=3, time_s=5.0),
        Reading(4.0, 6.0, "plus", n=2, time_s=7.0),
        Reading(8.0, 9.0, None, n=3, time_s=8.0),
    ]
    data = columns(readings)
    assert len(data) == 3
    assert data.commanded_mm.tolist() == [1.0, 4.0, 8.0]
    assert data.reading_mm.tolist() == [2.0, 6.0, 9.0]
    assert data.side.tolist() == [-1.0, 1.0, 0.0]
    assert data.visit.tolist() == [3, 1, 1]
    assert data.time_s.tolist() == [5.0, 7.0, 8.0]
    assert columns(data) is data


def test_times_count_only_when_every_reading_has_one():
    readings = [Reading(1.0, 2.0, "minus", n=1, time_s=5.0), Reading(1.0, 2.0, "minus", n=2)]
    assert columns(readings).time_s is None
    assert columns([]).time_s is None
    assert len(columns([])) == 0


def test_some_rows_of_columns():
    data = made(5, time_s=np.arange(5) * 2.0)
    for rows in (np.array([3, 1]), np.array([False, True, False, True, False])):
        some = data.only(rows)
        assert sorted(some.commanded_mm) == [1.0, 3.0]
        assert sorted(some.time_s) == [2.0, 6.0]
    assert made(5).only(np.array([0])).time_s is None


@pytest.mark.parametrize(
    ("other", "message"),
    [
        ({"side": np.ones(3)}, "columns of 3, 4 readings"),
        ({"time_s": np.ones(5)}, "columns of 4, 5 readings"),
        ({"reading_mm": np.array([1.0, math.nan, 1.0, 1.0])}, "reading 2 is nan mm at 1 mm"),
        ({"commanded_mm": np.array([1.0, 1.0, 1.0, math.inf])}, "reading 4 is 3 mm at inf mm"),
        ({"reading_mm": np.array([1e300, 1.0, 1.0, 1.0])}, r"reading 1 is 1e\+300 mm"),
        ({"time_s": np.array([0.0, 1.0, math.inf, 2.0])}, "reading 3 was taken at inf s"),
        ({"side": np.array([1.0, 1.0, 0.5, 1.0])}, "reading 3 has side 0.5; expected 1 for plus"),
    ],
)
def test_columns_refuse_what_no_caliper_shows(other, message):
    with pytest.raises(BadReadings, match=message):
        made(**other)


def test_a_visit_is_no_row_number():
    made(2000, visit=np.arange(2000) // 2)
    with pytest.raises(BadReadings, match="1001 visits; expected at most 1000"):
        made(1001, visit=np.arange(1001))
