"""Coverage factors against JCGM 100 Table G.2, with a general library as second opinion."""

import tomllib
from pathlib import Path

import pytest
from scipy import stats

from tuner.metrology.student import f_exceeded, student_t_factor

TABLE = tomllib.loads(
    (Path(__file__).parent / "gum_table_g2_student_t.toml").read_text(encoding="utf-8")
)
# The columns 68.27, 95.45 and 99.73 % mean exactly one, two and three standard deviations.
P = [
    stats.norm.cdf(1) - stats.norm.cdf(-1),
    0.90,
    0.95,
    stats.norm.cdf(2) - stats.norm.cdf(-2),
    0.99,
    stats.norm.cdf(3) - stats.norm.cdf(-3),
]
MISPRINTED = (35, 1)
# The table prints three figures, four in its row for 100 and in its first cell of the last column.
CELLS = [
    pytest.param(row[0], P[column], printed, id=f"nu={row[0]}-{TABLE['columns'][column + 1]}")
    for row in TABLE["rows"]
    for column, printed in enumerate(row[1:])
    if (row[0], column) != MISPRINTED
]


def last_digit(nu: float, printed: float) -> float:
    if printed >= 100:
        return 0.1
    return 0.001 if nu == 100 else 0.01


@pytest.mark.parametrize(("nu", "p", "printed"), CELLS)
def test_every_printed_digit_of_table_g2(nu, p, printed):
    assert abs(student_t_factor(nu, p) - printed) <= 0.5 * last_digit(nu, printed) + 1e-9


def test_every_cell_but_the_misprint_is_tested():
    assert len(CELLS) == 27 * 6 - 1


@pytest.mark.parametrize(("p", "printed"), list(zip(P, TABLE["infinite_nu"], strict=True)), ids=str)
def test_infinitely_many_degrees_of_freedom(p, printed):
    assert abs(student_t_factor(float("inf"), p) - printed) <= 0.0005


@pytest.mark.parametrize("dof", [1, 1.01, 1.5, 2, 2.718, 5, 16.7, 30, 99.5, 1e3, 12345.6, 1e5, 1e6])
@pytest.mark.parametrize("p", [0.01, 0.5, 0.9, 0.95, 0.99, 0.9999])
def test_second_opinion_on_t(dof, p):
    assert student_t_factor(dof, p) == pytest.approx(stats.t.ppf((1 + p) / 2, dof), rel=1e-6)


@pytest.mark.parametrize("ratio", [0.01, 0.5, 1.0, 3.0, 40.0])
@pytest.mark.parametrize("above", [1, 2, 7])
@pytest.mark.parametrize("below", [1, 4, 30, 1e6])
def test_second_opinion_on_f(ratio, above, below):
    expected = stats.f.sf(ratio, above, below)
    assert f_exceeded(ratio, above, below) == pytest.approx(expected, rel=1e-6, abs=1e-12)
