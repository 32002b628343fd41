import numpy as np
import pytest

from tuner.metrology.least_squares import least_squares, product, triangle, what_is_left


@pytest.mark.parametrize("n", [2, 5, 999, 1000, 1001, 2000, 2001, 4321])
def test_the_triangle_keeps_lengths_and_angles(n):
    """R'R = A'A, also where the table is longer than a block or shorter than it is wide."""
    table = np.random.default_rng(n).normal(size=(n, 4))
    r = triangle(table)
    assert r.shape == (min(n, 4), 4)
    assert r.T @ r == pytest.approx(table.T @ table, rel=1e-10, abs=1e-10)


@pytest.mark.parametrize("n", [1, 999, 1000, 1001, 3456])
def test_a_product_in_blocks_is_a_product(n):
    random = np.random.default_rng(n)
    table, matrix = random.normal(size=(n, 4)), random.normal(size=(4, 3))
    assert product(table, matrix) == pytest.approx(table @ matrix, rel=1e-12, abs=1e-12)


def test_columns_of_any_size_are_solved_alike():
    """A factor of 1e12 between two columns costs no digit."""
    random = np.random.default_rng(0)
    design = random.normal(size=(50, 3))
    beta = np.array([3.0, -2.0, 0.5])
    sizes = np.array([1e-6, 1.0, 1e6])
    solution = least_squares(design * sizes, design @ beta)
    assert solution.beta * sizes == pytest.approx(beta, rel=1e-13)
    expected = np.linalg.inv(design.T @ design)
    covariance = solution.root @ solution.root.T
    assert covariance * np.outer(sizes, sizes) == pytest.approx(expected, rel=1e-9)


def test_what_is_left_is_at_right_angles():
    random = np.random.default_rng(1)
    design, y = random.normal(size=(20, 3)), random.normal(size=20)
    left = what_is_left(design, y)
    assert design.T @ left == pytest.approx(np.zeros(3), abs=1e-12)
    assert what_is_left(design, design @ np.ones(3)) == pytest.approx(np.zeros(20), abs=1e-12)
