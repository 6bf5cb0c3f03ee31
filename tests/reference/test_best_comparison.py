"""Comparisons with the best and letters against published values, SciPy and exact quadrature."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from charscreen.mixed import fit_mixed
from charscreen.rank.best_comparison import compare_with_best
from charscreen.rank.letters import compact_letters
from charscreen.rank.simultaneous import (
    difference_se,
    equal_correlation_chance,
    equal_correlation_limit,
    limits_against_each,
    limits_all_pairs,
)
from scipy import stats

DATA = Path(__file__).parent / "data"


def read(name):
    return json.loads((DATA / name).read_text(encoding="utf-8"))


def one_way(groups):
    """Means, their covariance and the df of differences of a one-way layout."""
    groups = [np.asarray(g, dtype=float) for g in groups]
    sizes = np.array([len(g) for g in groups])
    rest = sum(((g - g.mean()) ** 2).sum() for g in groups)
    df = int(sizes.sum() - len(groups))
    means = np.array([g.mean() for g in groups])
    covariance = np.diag(rest / df / sizes)
    return means, covariance, np.full((len(groups),) * 2, float(df)), rest / df


def corrosion():
    data = read("rank_probability_corrosion.json")
    means = np.array(data["data"]["bhh_coating"]["means"])
    se, df = data["data"]["bhh_coating"]["se_diff"], data["data"]["bhh_coating"]["df"]
    return means, np.eye(4) * se**2 / 2, np.full((4, 4), float(df)), data["expected"]


@pytest.mark.parametrize("k", ["2", "3", "4", "5", "10"])
def test_quadrature_gives_bechhofers_constants(k):
    # Bechhofer (1954), Table I, from memory: known variance, sqrt(2) times the limit of k - 1
    # comparisons; printed to four decimals.
    limit = equal_correlation_limit(0.95, int(k) - 1, np.inf)
    published = read("selection_constants.json")["expected"][k]
    assert np.sqrt(2) * limit == pytest.approx(published, abs=6e-5)


@pytest.mark.parametrize("df", [2.5, 9.0, 60.0])
@pytest.mark.parametrize("correlation", [0.2, 0.5, 0.8])
def test_quadrature_agrees_with_the_multivariate_t_of_scipy(df, correlation):
    # SciPy integrates by random lattices; its error with these settings is below 5e-5.
    shape = np.full((4, 4), correlation) + (1 - correlation) * np.eye(4)
    exact = stats.multivariate_t(shape=shape, df=df, seed=1).cdf(np.full(4, 2.1), maxpts=200_000)
    ours = equal_correlation_chance(2.1, 4, df, correlation=correlation)
    assert ours == pytest.approx(exact, abs=2e-4)


def test_hsu_intervals_of_the_insect_traps():
    # Hsu (1996), example of multiple comparisons with the best, from memory (see the file).
    case = read("mc_hsu_insect_traps.json")
    means, covariance, df, mse = one_way(case["data"].values())
    expected = case["expected"]
    assert means == pytest.approx(expected["means"]["value"], abs=expected["means"]["tol"])
    assert mse == pytest.approx(expected["MSE"]["value"], abs=expected["MSE"]["tol"])
    found = compare_with_best(means, covariance, df, probability=0.95)
    exact = expected["d_exact"]
    assert found.limits[0, 1] == pytest.approx(exact["value"], abs=exact["tol"])
    intervals = np.array(expected["mcb"]["value"])
    assert np.column_stack([found.lo, found.hi]) == pytest.approx(
        intervals, abs=expected["mcb"]["tol"]
    )
    assert found.in_subset.tolist() == [True, False, False, False]


def test_best_of_the_corrosion_coatings():
    # Exact multivariate t (R qmvt), see the file; the subset counts from zero.
    means, covariance, df, expected = corrosion()
    found = compare_with_best(means, covariance, df, probability=0.95)
    intervals = np.array(expected["mcb_bhh"]["value"])
    assert np.column_stack([found.lo, found.hi]) == pytest.approx(
        intervals, abs=expected["mcb_bhh"]["tol"]
    )
    assert np.flatnonzero(found.in_subset).tolist() == expected["gupta_subset_bhh"]["value"]


def test_corrosion_ranking_from_the_mixed_model_itself():
    # The same from our own fit of the split plot (Box, Hunter & Hunter 2005, Table 9.1): the
    # covariance of the coating means holds the heats, which cancel from their differences.
    case = read("corrosion_split_plot.json")
    data = pd.DataFrame(case["data"]).astype({"temp": str, "run": str})
    fit = fit_mixed("y ~ temp * coating", data, random=["run"])
    names = list(fit.fixed_effects.index)
    rows = np.zeros((4, len(names)))
    for k in range(4):
        for name, weight in [("Intercept", 1), ("temp[T.370]", 1 / 3), ("temp[T.380]", 1 / 3)]:
            rows[k, names.index(name)] = weight
            if k:
                own = f"coating[T.c{k + 1}]"
                both = own if name == "Intercept" else f"{name}:{own}"
                rows[k, names.index(both)] = weight
    means = rows @ fit.fixed_effects.to_numpy()
    covariance = rows @ fit.fixed_effects_cov_kr.to_numpy() @ rows.T
    df = np.array(
        [[fit.df(a - b) if (a != b).any() else np.inf for b in rows] for a in rows], dtype=float
    )
    given, _, _, expected = corrosion()
    assert means == pytest.approx(given, abs=1e-5)
    found = compare_with_best(means, covariance, df, probability=0.95)
    intervals = np.array(expected["mcb_bhh"]["value"])
    assert np.column_stack([found.lo, found.hi]) == pytest.approx(intervals, abs=0.005)
    order = np.argsort(-means)
    se, limits = difference_se(covariance), limits_all_pairs(covariance, df, probability=0.95)
    differs = np.abs(means[:, None] - means) > limits * se
    letters, _ = compact_letters(differs[np.ix_(order, order)])
    # Tukey's 95 % difference is 4.41 / sqrt(2) * 6.44 = 20.1 (q of 4 means, 9 df, from memory).
    assert letters == ["a", "b", "b", "b"]


def test_limits_against_a_control_are_dunnetts():
    # Unequal lots: no common correlation, so by quasi-random points. Reference: Dunnett (1955),
    # two-sided there; one-sided here against scipy.stats.dunnett, tolerance that of 8192 points.
    data = read("mc_dunnett_1955_blood.json")["data"]
    groups = [np.array(data[name]) for name in ("control", "A", "B")]
    means, covariance, df, _ = one_way(groups)
    limits = limits_against_each(covariance, df, probability=0.95)
    se = difference_se(covariance)
    dunnett = stats.dunnett(*groups[1:], control=groups[0], alternative="greater", rng=1)
    low = dunnett.confidence_interval(0.95).low
    ours = means[1:] - means[0] - limits[0, 1:] * se[0, 1:]
    assert ours == pytest.approx(low, abs=0.01)
    shape = np.array([[1, 0.0], [0.0, 1]])
    root = np.diag(covariance)
    shape[0, 1] = shape[1, 0] = root[0] / np.sqrt((root[0] + root[1]) * (root[0] + root[2]))
    chance = stats.multivariate_t(shape=shape, df=df[0, 1], seed=1).cdf(limits[0, 1:])
    assert chance == pytest.approx(0.95, abs=0.001)


def test_all_pairs_of_the_plant_growth_are_tukeys():
    # R ?TukeyHSD: half width of trt2 - trt1, 0.6912161 at 95 %.
    case = read("mc_tukey_plantgrowth.json")
    table = pd.DataFrame(case["data"])
    groups = [g["weight"].to_numpy() for _, g in table.groupby("group", sort=True)]
    means, covariance, df, _ = one_way(groups)
    half = limits_all_pairs(covariance, df, probability=0.95) * difference_se(covariance)
    expected = case["expected"]
    for (i, j), lower, upper in zip(
        [(0, 1), (0, 2), (1, 2)], expected["lwr"]["value"], expected["upr"]["value"], strict=True
    ):
        difference = means[j] - means[i]
        assert [difference - half[i, j], difference + half[i, j]] == pytest.approx(
            [lower, upper], abs=expected["lwr"]["tol"]
        )
    order = np.argsort(-means)
    differs = np.abs(means[:, None] - means) > half
    # trt2, ctrl, trt1: only trt2 and trt1 differ (p 0.012; the others 0.20 and 0.39).
    assert compact_letters(differs[np.ix_(order, order)])[0] == ["a", "ab", "b"]


def test_all_pairs_by_points_agree_with_the_studentised_range():
    # A covariance a hair off balance takes the other route; the limit is nearly the same.
    # Tolerance: 8192 points, a quantile at 0.95, whose standard error would be 0.024
    # if they were random (density there about 0.1); two of it.
    df = np.full((4, 4), 12.0)
    exact = limits_all_pairs(np.eye(4), df, probability=0.95)
    points = limits_all_pairs(np.diag([1, 1, 1, 1.0001]), df, probability=0.95)
    assert points[0, 1] == pytest.approx(exact[0, 1], abs=0.05)


def test_plasma_etch_ranking():
    # Montgomery, Design and Analysis of Experiments, Tables 3.1 and 3.4, from memory: every
    # power setting differs from every other (Tukey's 5 % difference 33.09 there), 220 W best.
    case = read("one_way_plasma_etch.json")
    means, covariance, df, mse = one_way(case["data"].values())
    assert mse == pytest.approx(case["expected"]["mse"], abs=0.05)
    assert df[0, 1] == case["expected"]["df"][1]
    half = limits_all_pairs(covariance, df, probability=0.95) * difference_se(covariance)
    assert half[0, 1] == pytest.approx(33.09, abs=0.05)
    order = np.argsort(-means)
    differs = np.abs(means[:, None] - means) > half
    assert compact_letters(differs[np.ix_(order, order)])[0] == ["a", "b", "c", "d"]
    found = compare_with_best(means, covariance, df, probability=0.95)
    assert found.in_subset.tolist() == [False, False, False, True]
    assert found.lo[3] == 0
    assert found.hi[3] == pytest.approx(
        means[3] - means[2] + found.limits[3, 2] * np.sqrt(2 * mse / 5), rel=1e-9
    )
