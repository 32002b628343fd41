import math

import pytest

from tuner.metrology.student import f_exceeded, student_t_factor


@pytest.mark.parametrize("dof", [0, -1, 0.999, math.nan, -math.inf])
def test_less_than_one_degree_of_freedom_is_refused(dof):
    with pytest.raises(ValueError, match="expected 1 or more"):
        student_t_factor(dof)


@pytest.mark.parametrize("p", [0, 1, -0.5, 1.5, math.nan])
def test_a_coverage_lies_between_0_and_1(p):
    with pytest.raises(ValueError, match="more than 0 and less than 1"):
        student_t_factor(5, p)


def test_fewer_readings_never_give_a_smaller_factor():
    factors = [student_t_factor(dof) for dof in (1, 1.3, 2, 3.7, 8, 50, 1e4, 1e6, 1e9, math.inf)]
    assert factors == sorted(factors, reverse=True)
    assert factors[-1] == pytest.approx(1.959963984540054, rel=1e-12)


@pytest.mark.parametrize(
    ("ratio", "expected"), [(-1.0, 1.0), (0.0, 1.0), (1.0, 0.5), (math.inf, 0.0)]
)
def test_extremes_of_the_variance_ratio(ratio, expected):
    assert f_exceeded(ratio, 4, 4) == pytest.approx(expected, abs=1e-12)
