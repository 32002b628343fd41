"""The fit and the budget against certified and published answers."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from tuner.metrology.budget import Contribution, welch_satterthwaite
from tuner.metrology.fit import fit
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
        assert value == pytest.approx(certified[name], rel=1e-10), name


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
        Contribution(str(n), u, n - 1)
        for n, u in zip((10, 5, 15), (0.25, 0.57, 0.82), strict=True)
    ]
    u, dof = welch_satterthwaite(terms)
    assert round(u, 2) == 1.03
    assert round(dof, 1) == 19.0
    assert round(student_t_factor(int(dof + 0.05)), 2) == 2.09
