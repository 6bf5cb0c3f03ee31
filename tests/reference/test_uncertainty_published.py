"""Published uncertainty examples. Origin of each file is stated in its `origin` field.

JCGM 100 H.1, H.2 and JCGM 101 9.2, 9.3, 9.5: values from memory, the printed pages were not seen.
QUAM A1: from searched text. Tolerances are half of the last published digit, plus the Monte
Carlo error where draws are used.
"""

import json
from pathlib import Path

import numpy as np
import pytest
from charscreen.uncertainty import propagate, shortest_interval

DATA = Path(__file__).parent / "data"
DRAWS = 400_000


def load(name):
    return json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("name", "function", "u_tolerance"),
    [
        ("R", lambda v, i, phi: v / i * np.cos(phi), 0.0005),
        ("X", lambda v, i, phi: v / i * np.sin(phi), 0.0005),
        ("Z", lambda v, i, phi: v / i, 0.0005),
    ],
)
def test_jcgm100_h2_correlated_inputs(name, function, u_tolerance):
    example = load("uncertainty_examples")["jcgm100_h2"]
    inputs = example["inputs"]
    r = np.eye(3)
    r[0, 1] = r[1, 0] = inputs["r_VI"]
    r[0, 2] = r[2, 0] = inputs["r_Vphi"]
    r[1, 2] = r[2, 1] = inputs["r_Iphi"]
    values, u = zip(inputs["V"], inputs["I"], inputs["phi_rad"], strict=True)
    y, u_y = propagate(function, values, u, r)
    expected, expected_u = example["expected"][name]
    assert y == pytest.approx(expected, abs=0.0006)
    # The printed inputs are rounded (u to two digits, r to two decimals): 1 % of u besides.
    assert u_y == pytest.approx(expected_u, abs=u_tolerance + 0.01 * expected_u)


def test_jcgm100_h1_gauge_block_first_order():
    example = load("gum_h1_gauge_block")
    d, expected = example["data"], example["expected"]
    y, u = propagate(
        lambda ls, diff, dalpha, theta, alpha, dtheta: (
            ls + diff - ls * (dalpha * theta + alpha * dtheta)
        ),
        [d["l_s_nm"], d["d_nm"], 0.0, d["theta_bar"], d["alpha_s"], 0.0],
        [d["u_ls"], d["u_d"], d["u_dalpha"], d["u_theta"], d["u_alpha_s"], d["u_dtheta"]],
    )
    assert y == pytest.approx(expected["l_nm"]["value"], abs=expected["l_nm"]["tol"])
    assert u == pytest.approx(expected["uc_nm"]["value"], abs=expected["uc_nm"]["tol"])


@pytest.mark.parametrize("name", ["four_standard_normals", "four_rectangulars_sd1"])
def test_jcgm101_additive(name):
    expected = load("uncertainty_examples")["jcgm101_additive"]["expected"][name]
    half = np.sqrt(3.0)
    rng = np.random.default_rng(92)
    size = (4, DRAWS)
    draws = rng.normal(0, 1, size) if "normals" in name else rng.uniform(-half, half, size)
    total = draws.sum(axis=0)
    assert total.std() == pytest.approx(expected["u"], abs=0.01)
    # The ends of a shortest interval move together; its length is what is sharply known.
    found_lo, found_hi = shortest_interval(total, coverage=0.95)
    lo, hi = expected["interval95"]
    assert found_hi - found_lo == pytest.approx(hi - lo, abs=0.04)
    assert (found_lo, found_hi) == (pytest.approx(lo, abs=0.15), pytest.approx(hi, abs=0.15))


def mass_difference(m, dm, a, rho_w, rho_r):
    return (m + dm) * (1 + (a - 1.2) * (1 / rho_w - 1 / rho_r)) - 100_000


def test_jcgm101_mass_calibration_first_order():
    data = load("jcgm101_mc_examples")["data"]["mass"]
    expected = load("jcgm101_mc_examples")["expected"]

    def centre_and_u(limits):
        return sum(limits) / 2, (limits[1] - limits[0]) / np.sqrt(12)

    values, u = zip(
        data["m_Rc"],
        data["dm_Rc"],
        *(centre_and_u(data[name]) for name in ("rho_a", "rho_W", "rho_R")),
        strict=True,
    )
    y, u_y = propagate(mass_difference, values, u)
    assert y == pytest.approx(1.234, abs=0.0005)
    assert u_y == pytest.approx(
        expected["mass_gum1_u"]["value"], abs=expected["mass_gum1_u"]["tol"]
    )


def test_jcgm101_mass_calibration_monte_carlo():
    data = load("jcgm101_mc_examples")["data"]["mass"]
    expected = load("jcgm101_mc_examples")["expected"]
    rng = np.random.default_rng(93)
    n = 4 * DRAWS
    draws = mass_difference(
        *(rng.normal(*data[name], n) for name in ("m_Rc", "dm_Rc")),
        *(rng.uniform(*data[name], n) for name in ("rho_a", "rho_W", "rho_R")),
    )
    for key, value in (("mass_mean", draws.mean()), ("mass_u", draws.std())):
        assert value == pytest.approx(expected[key]["value"], abs=expected[key]["tol"])
    tolerance = expected["mass_shortest95"]["tol"]
    assert shortest_interval(draws, coverage=0.95) == pytest.approx(
        expected["mass_shortest95"]["value"], abs=tolerance
    )


def test_jcgm101_gauge_block_monte_carlo():
    expected = load("jcgm101_mc_examples")["expected"]
    rng = np.random.default_rng(95)
    n = DRAWS

    def curved_trapezoid(lo, hi, d):
        start = (lo - d) + 2 * d * rng.random(n)
        return start + (lo + hi - 2 * start) * rng.random(n)

    standard = 50_000_623 + 25 * rng.standard_t(18, n)
    difference = 215 + 6 * rng.standard_t(24, n) + 4 * rng.standard_t(5, n)
    difference += 7 * rng.standard_t(8, n)
    expansion = rng.uniform(9.5e-6, 13.5e-6, n)
    theta = rng.normal(-0.1, 0.2, n) + 0.5 * np.sin(2 * np.pi * rng.random(n))
    of_expansion = curved_trapezoid(-1e-6, 1e-6, 0.1e-6)
    of_theta = curved_trapezoid(-0.05, 0.05, 0.025)
    heat = of_expansion * theta + expansion * of_theta
    draws = standard + difference - standard * heat - 50_000_000
    assert draws.mean() == pytest.approx(838, abs=expected["gauge_mean"]["tol"])
    assert draws.std() == pytest.approx(36, abs=expected["gauge_u"]["tol"])
    assert shortest_interval(draws, coverage=0.99) == pytest.approx(
        expected["gauge_shortest99"]["value"], abs=expected["gauge_shortest99"]["tol"]
    )


def test_quam_a1_cadmium_standard():
    example = load("quam_a1_a2")
    d, expected = example["data"]["A1"], example["expected"]
    u_p = d["a_P_rect"] / np.sqrt(3)
    u_v = np.sqrt(d["a_V_tri"] ** 2 / 6 + d["u_V_rep"] ** 2 + d["a_V_T_rect"] ** 2 / 3)
    values = [d["m"], d["P"], d["V"]]

    def concentration(m, p, v):
        return 1000 * m * p / v

    y, u = propagate(concentration, values, [d["u_m"], u_p, u_v])
    assert y == pytest.approx(expected["A1_c"]["value"], abs=expected["A1_c"]["tol"])
    assert u == pytest.approx(expected["A1_u"]["value"], abs=expected["A1_u"]["tol"])
    alone = [
        propagate(concentration, values, u)[1] for u in ([0, 0, u_v], [d["u_m"], 0, 0], [0, u_p, 0])
    ]
    contributions = expected["A1_contrib_V_m_P"]
    assert alone == pytest.approx(contributions["value"], abs=contributions["tol"])
