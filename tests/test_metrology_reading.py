import math

import pytest

from tuner.errors import BadReadings
from tuner.metrology.reading import Reading


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
