"""Budgets against published examples: JCGM 100, EA-4/02, NIST TN 1900.

Each file names its source and how it was verified. The program's budget takes contributions, the
sensitivity times the standard uncertainty of each input; those are worked out here.
"""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from uncertainties import ufloat

from tuner.metrology.budget import Contribution, measured_scale, simulated_k, welch_satterthwaite
from tuner.metrology.fit import fit
from tuner.metrology.reading import Reading
from tuner.metrology.student import student_t_factor

HERE = Path(__file__).parent


def load(name: str) -> dict:
    return tomllib.loads((HERE / name).read_text(encoding="utf-8"))


def test_gum_h1_end_gauge():
    """JCGM 100 H.1: nested terms, effective degrees of freedom, expanded uncertainty in nm."""
    example = load("gum_h1_end_gauge.toml")
    inputs = {one["name"]: one for one in example["inputs"]}
    published = example["published"]
    length = inputs["l_S"]["estimate"]
    d = [one for name, one in inputs.items() if name.startswith("d ")]
    u_d, dof_d = welch_satterthwaite(Contribution(one["name"], one["u"], one["df"]) for one in d)
    assert round(u_d, 1) == published["u_d_nm"]
    # The document works on with the rounded 9.7 nm.
    dof_d = published["u_d_nm"] ** 4 / sum(one["u"] ** 4 / one["df"] for one in d)
    assert round(dof_d, 1) == published["df_d"]
    theta = inputs["theta mean"]["estimate"]
    u_theta = math.hypot(inputs["theta mean"]["u"], inputs["theta cyclic"]["u"])
    assert round(u_theta, 1) == round(published["u_theta"], 1)
    alpha = inputs["alpha_S"]["estimate"]
    terms = [
        Contribution("l_S", inputs["l_S"]["u"], inputs["l_S"]["df"]),
        Contribution("d", published["u_d_nm"], published["df_d"]),
        Contribution(
            "delta_alpha",
            abs(length * theta) * inputs["delta_alpha"]["u"],
            inputs["delta_alpha"]["df"],
        ),
        Contribution(
            "delta_theta", length * alpha * inputs["delta_theta"]["u"], inputs["delta_theta"]["df"]
        ),
    ]
    for one in terms:
        assert one.u_relative == pytest.approx(published["contributions_nm"][one.name], abs=0.11)
    u, dof = welch_satterthwaite(terms)
    assert round(u) == published["u_c_nm"]
    assert int(dof) == published["nu_eff"]
    assert dof == pytest.approx(published["nu_eff_untruncated"], abs=0.1)
    k = student_t_factor(int(dof), 0.99)
    assert round(k, 2) == published["t_99"]
    # 93 nm is 2.92 times the rounded 32 nm.
    assert round(k * published["u_c_nm"]) == published["U99_nm"]
    second = [
        length * inputs["delta_alpha"]["u"] * u_theta,
        length * inputs["alpha_S"]["u"] * inputs["delta_theta"]["u"],
    ]
    assert second == pytest.approx(published["second_order_terms_nm"], abs=0.3)
    assert round(math.hypot(u, *second)) == published["u_c_with_second_order_nm"]


def test_gum_small_figures():
    """JCGM 100 G.4.1, G.4.2, E.4.3 Table E.1, F.2.2.1 and the divisors of 4.3.7 and 4.3.9."""
    figures = load("gum_small_samples.toml")
    example = figures["welch_satterthwaite_g_4_1"]
    u, dof = welch_satterthwaite(
        Contribution(str(n), one, n - 1)
        for n, one in zip(example["n"], example["relative_u_percent"], strict=True)
    )
    assert round(u, 2) == example["u_c_percent"]
    assert round(dof, 1) == example["nu_eff"]
    assert round(student_t_factor(int(example["nu_eff"])), 2) == example["t_95"]
    assert round(example["t_95"] * example["u_c_percent"], 1) == example["U95_percent"]
    reliability = figures["reliability_g_4_2"]
    for share, nu in zip(reliability["relative_uncertainty_of_u"], reliability["nu"], strict=True):
        assert 0.5 / share**2 == pytest.approx(nu, rel=0.02)
    # Table E.1 is why a few readings need Student's t: the sd of an sd from n readings.
    table = figures["table_e1"]
    for n, percent in zip(table["n"], table["percent"], strict=True):
        c4 = math.sqrt(2 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))
        assert round(100 * math.sqrt(1 - c4**2) / c4) == pytest.approx(percent, abs=1)
    assert round(1 / math.sqrt(12), 2) == figures["resolution_f_2_2_1"]["factor"]


def test_the_resolution_of_a_scale_is_that_of_f_2_2_1():
    """Two rounded ends of 100 mm, a display of 0.01 mm: sqrt(2) x 0.29 x 0.01 / 100."""
    ends = [(0.0, "plus"), (100.0, "plus"), (100.0, "minus"), (0.0, "minus")]
    said = fit(
        [Reading(x, 10.0 + x, side, n=n) for n, (x, side) in enumerate(ends, 1)],
        grows=1,
        resolution_mm=0.01,
    )
    found = {
        one.name: one.u_relative for one in measured_scale(said, error_limit_mm=0.02).contributions
    }
    assert found["resolution"] == pytest.approx(math.sqrt(2) * 0.29 * 0.01 / 100.0, rel=0.01)


def test_ea_4_02_s10_caliper():
    """EA-4/02 S10: two rectangular terms rule a caliper's budget, so k is 1.83 and not 2."""
    example = load("ea_4_02_s10_vernier_caliper.toml")
    inputs = {one["name"].split()[0]: one for one in example["inputs"]}
    published = example["published"]
    half_um = {
        "l_S": inputs["l_S"]["half_width_um"],
        "delta_t": inputs["delta_t"]["half_width_K"] * inputs["delta_t"]["c_um_per_K"],
        "delta_l_iX": inputs["delta_l_iX"]["half_width_um"],
        "delta_l_M": inputs["delta_l_M"]["half_width_um"],
    }
    terms = [
        Contribution(name, half / math.sqrt(3), shape="rectangular")
        for name, half in half_um.items()
    ]
    for one in terms:
        assert one.u_relative == pytest.approx(inputs[one.name]["contribution_um"], rel=0.04)
    u, dof = welch_satterthwaite(terms)
    assert u == pytest.approx(published["u_E_X_um"], abs=0.8)  # of rounded entries
    assert math.isinf(dof)
    k = simulated_k(terms)
    assert k == pytest.approx(published["k"], abs=0.01)
    assert round(k * u / 1000.0, 2) == published["U_mm"]
    # The document's own rule for a trapezoid of the two large terms.
    a, b = half_um["delta_l_iX"], half_um["delta_l_M"]
    beta = abs(a - b) / (a + b)
    trapezoid = (1 - math.sqrt(0.05 * (1 - beta**2))) / math.sqrt((1 + beta**2) / 6)
    assert simulated_k(terms[2:]) == pytest.approx(trapezoid, abs=0.01)


def test_tn_1900_e13_quotient_of_lengths():
    """NIST TN 1900 E13: a quotient of lengths, as a scale is; first order, and a second opinion."""
    example = load("nist_tn_1900_e13_thermal_expansion.toml")
    published = example["published"]
    inputs = {one["name"]: one for one in example["inputs"]}
    l0, l1, t0, t1 = (inputs[name]["estimate"] for name in ("L0", "L1", "T0", "T1"))
    alpha = (l1 - l0) / (l0 * (t1 - t0))
    sensitivity = {
        "L0": -l1 / (l0**2 * (t1 - t0)),
        "L1": 1.0 / (l0 * (t1 - t0)),
        "T0": alpha / (t1 - t0),
        "T1": -alpha / (t1 - t0),
    }
    terms = [
        Contribution(name, abs(sensitivity[name]) * one["u"], one["df"])
        for name, one in inputs.items()
    ]
    u, dof = welch_satterthwaite(terms)
    assert float(f"{alpha:.4e}") == published["alpha_per_K"]
    assert float(f"{u:.2e}") == published["u_alpha_per_K"]
    assert 3.0 < dof < 12.0
    known = {name: ufloat(one["estimate"], one["u"]) for name, one in inputs.items()}
    opinion = (known["L1"] - known["L0"]) / (known["L0"] * (known["T1"] - known["T0"]))
    assert u == pytest.approx(opinion.s, rel=1e-9)


# --- second opinions on the fit and the budget of a scale ---------------------------------


def rows(x, y):
    return [Reading(a, b, None, n=n) for n, (a, b) in enumerate(zip(x, y, strict=True), 1)]


@pytest.fixture
def readings():
    random = np.random.default_rng(12)
    x = np.tile([0.0, 120.0, 120.0, 0.0, 10.0, 130.0], 2)
    y = np.round(20.0 + 0.8 * x + random.normal(0.0, 0.02, len(x)), 2)
    return x, y


def test_second_opinion_on_a_line(readings):
    x, y = readings
    said = fit(rows(x, y), grows=1, resolution_mm=0.01)
    opinion = stats.linregress(x, y)
    assert said.scale == pytest.approx(opinion.slope, rel=1e-12)
    # That library takes 1 - r^2, which costs it digits where r is nearly 1.
    assert said.u_scale == pytest.approx(opinion.stderr, rel=1e-7, abs=0.0)
    assert said.datums_mm[1] == pytest.approx(opinion.intercept, rel=1e-12)
    u_datum = math.sqrt(said.covariance[0, 0])
    assert u_datum == pytest.approx(opinion.intercept_stderr, rel=1e-7, abs=0.0)


def test_second_opinion_on_the_budget(readings):
    """The scale as a quotient of lengths with independent errors, by automatic differentiation."""
    x, y = readings
    said = fit(rows(x, y), grows=1, resolution_mm=0.01)
    scale = measured_scale(said, error_limit_mm=0.03, offset_mm=10.0)
    tilt = math.radians(1.0)
    span = said.span_mm
    root3 = math.sqrt(3)
    error = ufloat(0.0, 0.03 / root3) - ufloat(0.0, 0.03 / root3)
    rounding = ufloat(0.0, 0.01 / math.sqrt(12)) - ufloat(0.0, 0.01 / math.sqrt(12))
    rocking = 10.0 * ufloat(0.0, 0.5e-3 / root3)
    cosine = 1.0 - ufloat(tilt**2 / 6.0, tilt**2 * math.sqrt(1 / 45))
    warm = 1.0 + 11.5e-6 * ufloat(0.0, 5.0 / root3)
    opinion = (
        ufloat(said.scale, said.u_scale)
        * cosine
        * warm
        * (1.0 + (error + rounding + rocking) / span)
    )
    assert scale.value == pytest.approx(opinion.n, rel=1e-12)
    assert scale.u == pytest.approx(opinion.s, rel=1e-4)
    k = float(stats.t.ppf(0.975, scale.dof))
    assert k * scale.u == pytest.approx(scale.U, rel=1e-6)
