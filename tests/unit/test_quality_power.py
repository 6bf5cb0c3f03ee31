"""Precision and power of planned comparisons, against published figures and fitted models."""

import numpy as np
import pandas as pd
import pytest
from charscreen.mixed import fit_mixed
from charscreen.quality.power import detectable, power_of, precision_of
from simulated_intervals import small_screen
from statsmodels.stats.power import TTestIndPower


def independent(groups: int, each: int):
    """Groups of equal size without any blocks: model matrix, parts, variances."""
    X = np.kron(np.eye(groups), np.ones((each, 1)))
    return X, {"lot": np.eye(len(X))}, {"lot": 1.0}


# Cohen 1988, Statistical Power Analysis, tables 2.3 and 2.4, and the power of the two-sample t
# test with 20 each at one standard deviation (0.8689528), from memory, recomputed.
@pytest.mark.parametrize(
    ("each", "effect", "published"), [(20, 1.0, 0.8689528), (394, 0.2, 0.80), (64, 0.5, 0.80)]
)
def test_two_independent_groups_have_the_published_power(each, effect, published):
    found = precision_of(*independent(2, each))
    contrast = np.array([[1.0, -1.0]])
    power = power_of(effect, se=found.se(contrast), df=found.df(contrast))
    assert found.df(contrast)[0] == pytest.approx(2 * each - 2, rel=1e-6)
    assert power[0] == pytest.approx(published, abs=1e-6 if each == 20 else 0.002)
    assert power[0] == pytest.approx(TTestIndPower().power(effect, each, 0.05), abs=1e-9)


def test_the_detectable_difference_has_the_power_asked_for():
    found = precision_of(*independent(2, 64))
    contrast = np.array([[1.0, -1.0]])
    se, df = found.se(contrast), found.df(contrast)
    # Cohen 1988: 64 each tell half a standard deviation with 80 % (63.77 exactly; from memory).
    assert detectable(se=se, df=df)[0] == pytest.approx(0.499, abs=0.001)
    assert power_of(detectable(se=se, df=df), se=se, df=df)[0] == pytest.approx(0.8, abs=1e-6)


def indicator(labels) -> np.ndarray:
    codes = pd.factorize(labels)[0]
    return (codes[:, None] == codes[None, :]).astype(float)


def test_a_balanced_split_plot_has_the_degrees_of_freedom_of_its_strata():
    # 4 firings at each of 2 temperatures, 3 lots of 3 feedstocks in each: firings leave 8 - 2
    # degrees of freedom, lots within them (3 - 1)(8 - 1) less nothing else: 14.
    firing = np.repeat(np.arange(8), 3)
    feed = np.tile(np.arange(3), 8)
    x = np.where(firing < 4, -1.0, 1.0)
    X = np.column_stack([np.ones(24), feed == 1, feed == 2, x])
    parts = {"firing": indicator(firing), "lot": np.eye(24)}
    variance = {"firing": 0.01, "lot": 0.0064}
    found = precision_of(X, parts, variance)
    assert found.df(np.array([0, 0, 0, 1.0]))[0] == pytest.approx(6, rel=1e-6)
    assert found.df(np.array([0, 1.0, 0, 0]))[0] == pytest.approx(14, rel=1e-6)
    assert found.se(np.array([0, 1.0, 0, 0]))[0] == pytest.approx(np.sqrt(2 * 0.0064 / 8))
    whole = np.sqrt(4 * (0.01 + 0.0064 / 3) / 8)
    assert found.se(np.array([0, 0, 0, 2.0]))[0] == pytest.approx(whole)


@pytest.mark.parametrize(("lost", "seed"), [(0.0, 3), (0.2, 5)])
def test_df_and_se_are_those_of_a_fit_with_the_same_variances(lost, seed):
    data, *_ = small_screen(seed, firing_sd=0.1, lot_sd=0.1, lost=lost)
    fit = fit_mixed("y ~ feed + x", data, ["firing", "lot"])
    v = fit.variance_components
    assert (v > 0).all()
    X = np.column_stack(
        [np.ones(len(data)), *[data["feed"] == f for f in "bcd"], data["x"]]
    ).astype(float)
    parts = {name: indicator(data[name]) for name in ("firing", "lot")}
    parts["residual"] = np.eye(len(data))
    found = precision_of(X, parts, dict(v))
    for place in range(5):
        contrast = np.eye(5)[place]
        assert found.df(contrast)[0] == pytest.approx(
            float(fit.df(contrast, method="kenward_roger")), rel=1e-5
        )
        assert found.se(contrast)[0] == pytest.approx(
            np.sqrt(fit.fixed_effects_cov.iloc[place, place]), rel=1e-6
        )


def test_coinciding_levels_count_as_one():
    X, parts, variance = independent(2, 5)
    alone = precision_of(X, parts, {"lot": 3.0})
    both = precision_of(X, {"firing": np.eye(10), "lot": np.eye(10)}, {"firing": 1.0, "lot": 2.0})
    contrast = np.array([1.0, -1.0])
    assert both.df(contrast) == pytest.approx(alone.df(contrast))
    assert both.se(contrast) == pytest.approx(alone.se(contrast))
    assert variance == {"lot": 1.0}


def test_nothing_can_be_tested_without_spare_firings():
    # Two firings for two temperatures: what firings scatter cannot be told.
    firing = np.repeat([0, 1], 4)
    X = np.column_stack([np.ones(8), np.where(firing, 1.0, -1.0)])
    parts = {"firing": indicator(firing), "lot": np.eye(8)}
    found = precision_of(X, parts, {"firing": 0.01, "lot": 0.01})
    contrast = np.array([0.0, 2.0])
    assert found.df(contrast)[0] == 0
    assert power_of(0.5, se=found.se(contrast), df=found.df(contrast))[0] == 0
    assert np.isnan(detectable(se=found.se(contrast), df=found.df(contrast))[0])
