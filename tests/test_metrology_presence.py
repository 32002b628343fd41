"""The probability that an effect is there, against the two normal laws of another program."""

from __future__ import annotations

import pytest
from scipy.stats import norm

from tuner.metrology.presence import p_present


@pytest.mark.parametrize("value", [-0.7, 0.0, 0.02, 0.1, 0.3])
@pytest.mark.parametrize(("u", "usual"), [(0.03, 0.2), (0.1, 0.1), (0.2, 0.01)])
def test_it_is_the_ratio_of_two_normal_laws(value: float, u: float, usual: float) -> None:
    there = norm.pdf(value, 0, (u**2 + usual**2) ** 0.5)
    none = norm.pdf(value, 0, u)
    assert p_present(value, u, usual) == pytest.approx(there / (there + none), rel=1e-9)


def test_nothing_is_learned_from_what_is_too_uncertain() -> None:
    assert p_present(0.1, 100.0, 0.1) == pytest.approx(0.5, abs=1e-5)


def test_the_largest_effects_are_certain() -> None:
    assert p_present(1e6, 1e-3, 1.0) == 1.0


def test_a_value_of_nothing_speaks_against_it_as_much_as_it_was_measured() -> None:
    assert p_present(0.0, 0.01, 0.2) < p_present(0.0, 0.05, 0.2) < 0.5
