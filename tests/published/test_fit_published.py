"""The fit and the budget against certified and published answers."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from tuner.metrology.budget import Contribution, welch_satterthwaite
from tuner.metrology.fit import fit
from tuner.metrology.least_squares import least_squares
from tuner.metrology.reading import Reading
from tuner.metrology.student import student_t_factor

HERE = Path(__file__).parent


def load(name: str) -> dict:
    return tomllib.loads((HERE / name).read_text(encoding="utf-8"))


def line(x, y):
    return [Reading(a, b, None, n=n) for n, (a, b) in enumerate(zip(x, y, strict=True), 1)]


def test_norris_to_ten_digits():
    """NIST StRD Norris, certified values; a plain line through the same code, without prior."""
    norris = load("nist_strd_norris.toml")
    data, certified = norris["data"], norris["certified"]
    result = fit(line(data["x"], data["y"]), grows=1, resolution_mm=0.1)
    u = np.sqrt(np.diag(result.covariance))
    found = {
        "b0": result.datums_mm[1],
        "b1": result.scale,
        "sd_b0": u[0],
        "sd_b1": result.u_scale,
        "residual_sd": result.s_mm,
        "residual_df": result.dof,
        "ss_residual": float(result.residuals_mm @ result.residuals_mm),
    }
    for name, value in found.items():
        assert value == pytest.approx(certified[name], rel=1e-10, abs=0.0), name


def solved(design, y, df):
    """Coefficients, their standard deviations and the residual one, by the core of the fit."""
    solution = least_squares(design, y)
    residuals = y - design @ solution.beta
    s = np.sqrt(residuals @ residuals / df)
    return solution.beta, s * np.sqrt(np.sum(solution.root**2, axis=1)), s


def test_pontius_to_ten_digits():
    """NIST StRD Pontius: a quadratic over loads up to three million, by the core of the fit."""
    pontius = load("nist_strd_pontius.toml")
    certified = pontius["certified"]
    x, y = (np.array(pontius["data"][name]) for name in "xy")
    beta, sd, s = solved(np.column_stack([np.ones(40), x, x**2]), y, certified["residual_df"])
    for i in range(3):
        assert beta[i] == pytest.approx(certified[f"b{i}"], rel=1e-10, abs=0.0)
        assert sd[i] == pytest.approx(certified[f"sd_b{i}"], rel=1e-10, abs=0.0)
    assert s == pytest.approx(certified["residual_sd"], rel=1e-10, abs=0.0)


@pytest.mark.parametrize("name", ["noint1", "noint2"])
def test_lines_through_the_origin_to_ten_digits(name):
    """NIST StRD NoInt1 and NoInt2: a scale without a datum, by the core of the fit."""
    sample = load(f"nist_strd_{name}.toml")
    certified = sample["certified"]
    x, y = (np.array(sample["data"][name]) for name in "xy")
    beta, sd, s = solved(x[:, None], y, certified["residual_df"])
    assert beta[0] == pytest.approx(certified["b1"], rel=1e-10, abs=0.0)
    assert sd[0] == pytest.approx(certified["sd_b1"], rel=1e-10, abs=0.0)
    assert s == pytest.approx(certified["residual_sd"], rel=1e-10, abs=0.0)
    assert 1.0 - s**2 * len(x[1:]) / (y @ y) == pytest.approx(
        certified["r_squared"], rel=1e-10, abs=0.0
    )


def test_gum_h3_line_and_correlation():
    """JCGM 100 H.3: the datum is taken at 20 C, so the correlation is that of the example."""
    example = load("gum_h3_thermometer_line.toml")
    t = [one - 20.0 for one in example["data"]["t"]]
    published = example["published"]
    result = fit(line(t, example["data"]["b"]), grows=1, resolution_mm=0.001)
    covariance = result.covariance
    correlation = covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])
    assert round(result.datums_mm[1], 4) == published["y1"]
    assert round(result.scale, 5) == published["y2"]
    assert round(float(np.sqrt(covariance[0, 0])), 4) == published["s_y1"]
    assert round(result.u_scale, 5) == published["s_y2"]
    assert round(float(correlation), 2) == published["r_y1_y2"]
    assert round(result.s_mm, 4) == published["s"]
    assert result.dof == published["df"]
    assert round(result.datums_mm[1] + 10.0 * result.scale, 4) == published["b_30"]
    at_30 = np.array([1.0, 10.0])
    assert round(float(np.sqrt(at_30 @ covariance @ at_30)), 4) == published["u_b_30"]


def test_gum_g41_effective_degrees_of_freedom():
    """JCGM 100 G.4.1: three inputs of 10, 5 and 15 readings, relative u in percent."""
    terms = [
        Contribution(str(n), u, n - 1) for n, u in zip((10, 5, 15), (0.25, 0.57, 0.82), strict=True)
    ]
    u, dof = welch_satterthwaite(terms)
    assert round(u, 2) == 1.03
    assert round(dof, 1) == 19.0
    assert round(student_t_factor(int(dof + 0.05)), 2) == 2.09
