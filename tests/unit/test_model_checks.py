"""Checks, influence, alternatives, budget and further models: planted trouble is found."""

import numpy as np
import pandas as pd
import pytest
from capacitance_model import fit_capacitance_model
from charscreen.models.alternatives import alternative_flag
from charscreen.models.budget import budget_table, effort_table, level_draws
from charscreen.models.covariates import covariate_columns, feed_covariates
from charscreen.models.performance import fit_performance_models
from charscreen.models.reading import Reading, reading_variance
from charscreen.models.tables import TABLES
from charscreen.models.yields import fit_overall_yield_model, fit_yield_models
from simulated_screen import simulate_screen

SETTINGS = {"draws": 1000, "prior_scale": 1.0, "seed": 7, "interval_percent": 90}


@pytest.fixture(scope="module")
def screen():
    return simulate_screen(21)


@pytest.fixture(scope="module")
def sound(screen):
    return fit_capacitance_model(screen.cells, screen.design, screen.firings, settings=SETTINGS)


def refit(screen, factor, **columns):
    cells = screen.cells.assign(
        electrode_F_per_g=screen.cells["electrode_F_per_g"] * np.asarray(factor), **columns
    )
    return fit_capacitance_model(cells, screen.design, screen.firings, settings=SETTINGS)


def check(tables, name):
    return tables.checks.set_index("check").loc[name]


def test_every_table_has_its_columns_and_a_sound_model_passes(sound):
    for name, columns in TABLES.items():
        assert list(getattr(sound, name).columns) == columns
        assert len(getattr(sound, name))
    assert (sound.checks["p"].dropna() > 0.001).all()
    assert check(sound, "power")["lo"] < 0 < check(sound, "power")["hi"]
    assert sound.residuals["leverage"].between(0, 1).all()
    # Robust and plain estimates hardly differ where nothing is far off.
    shift = sound.effects["robust_estimate"] - sound.effects["estimate"]
    assert (shift.abs() < sound.effects["se"]).all()
    assert check(sound, "robust")["estimate"] == pytest.approx(
        (shift.abs() / sound.effects["se"]).iloc[1:].max(), rel=0.3
    )


def test_one_wild_cell_is_found_and_weighed_down(screen, sound):
    factor = np.ones(len(screen.cells))
    factor[10] = 6.0
    found = refit(screen, factor)
    name, lot = screen.cells["cell"].iloc[10], screen.cells["lot"].iloc[10]
    assert check(found, "farthest")["p"] < 1e-4
    assert name in check(found, "farthest")["words"]
    assert any(name in flag for flag in found.model["flags"])
    cells = found.influence[found.influence["level"] == "cell"]
    assert cells["group"].iloc[0] == name
    assert found.influence.loc[found.influence["level"] == "lot", "group"].iloc[0] == lot
    gap = (found.effects["estimate"] - sound.effects["estimate"]).abs()
    robust_gap = (found.effects["robust_estimate"] - sound.effects["estimate"]).abs()
    assert robust_gap.max() < 0.6 * gap.max()


def test_a_drift_over_the_firings_is_found(screen):
    days = [f"2030-01-{k + 1:02d}" for k in range(len(screen.firings))]
    dated = screen.firings.assign(date=days[::-1])
    place = screen.cells["firing"].map(dict(zip(dated["firing"], range(12), strict=True)))
    cells = screen.cells.assign(
        electrode_F_per_g=screen.cells["electrode_F_per_g"] * np.exp(-0.08 * place)
    )
    found = fit_capacitance_model(cells, screen.design, dated, settings=SETTINGS)
    row = check(found, "trend")
    assert row["p"] < 0.01
    # The last firing by id is the first by date: what falls by id rises in time.
    assert row["estimate"] == pytest.approx(0.88, abs=0.35)
    order = found.residuals.drop_duplicates("firing").set_index("firing")["order"]
    assert order["C12"] == 0
    assert order["C01"] == 11


def test_a_drift_over_the_days_of_assembly_is_found(screen):
    # Half of the cells of each lot are made late: no firing can be to blame.
    late = np.arange(len(screen.cells)) % 2
    day = pd.Series([f"2030-02-{1 + 10 * k:02d}" for k in late], dtype=object)
    found = refit(screen, np.exp(-0.2 * late), assembled=day)
    assert found.model["order_by"] == {"firings": "id", "rows": "assembled"}
    row = check(found, "trend_assembled")
    assert row["p"] < 0.01
    assert row["estimate"] < -0.1
    assert any("from the first cell made to the last" in text for text in found.model["flags"])
    order = found.residuals.set_index("id")["run_order"]
    made = dict(zip(screen.cells["cell"], late, strict=True))
    assert [made[cell] for cell in order.sort_values().index] == sorted(late)
    assert sorted(order) == list(range(len(screen.cells)))


def test_without_days_the_order_of_the_design_serves(screen, sound):
    assert sound.model["order_by"]["rows"] == ""
    assert sound.residuals["run_order"].isna().all()
    assert "trend_assembled" not in set(sound.checks["check"])
    turned = screen.design.assign(order=np.arange(len(screen.design))[::-1])
    found = fit_capacitance_model(screen.cells, turned, screen.firings, settings=SETTINGS)
    assert found.model["order_by"]["rows"] == "order"
    first = found.residuals.set_index("id")["run_order"].idxmin()
    run = screen.cells.set_index("cell").loc[first, "run"]
    measured = turned[turned["run"].isin(screen.cells["run"])]
    assert run == measured.set_index("run")["order"].idxmin()


def test_what_is_known_of_the_feeds_may_explain_the_farads(screen):
    names = sorted(set(screen.cells["feedstock"]))
    ash = pd.Series(np.linspace(2.0, 24.0, len(names)), index=names)
    cells = screen.cells.assign(
        electrode_F_per_g=screen.cells["electrode_F_per_g"]
        * np.exp(-0.06 * screen.cells["feedstock"].map(ash).to_numpy(float))
    )
    feeds = pd.DataFrame({"feedstock": names, "ash_d_percent": ash.to_numpy()})
    given = (cells, screen.design, screen.firings)
    found = fit_capacitance_model(*given, settings=SETTINGS, feedstocks=feeds)
    without = fit_capacitance_model(*given, settings=SETTINGS)
    assert "b[feed_ash]" in found.draws
    assert found.draws["b[feed_ash]"].median() == pytest.approx(-0.6, abs=0.2)  # per 10 %
    assert found.draws["v[feedstock]"].median() < 0.6 * without.draws["v[feedstock]"].median()


def test_the_profile_of_the_powers_has_its_least_at_the_best(sound):
    profile = sound.model["power_profile"]
    power, excess = np.array(profile["power"]), np.array(profile["excess"])
    assert power[excess.argmin()] == pytest.approx(profile["best"], abs=0.026)
    inside = power[excess <= profile["limit"]]
    assert profile["lo"] == pytest.approx(inside[0], abs=0.026)
    assert profile["hi"] == pytest.approx(inside[-1], abs=0.026)


def test_values_that_want_no_logarithm_are_told(screen):
    rng = np.random.default_rng(4)
    cells = screen.cells.copy()
    level = 100.0 + 60.0 * (cells["feedstock"].str[1:].astype(int) - 5) / 6
    lot = cells["lot"].map(dict(zip(cells["lot"].unique(), rng.normal(0, 3, 72), strict=True)))
    cells["electrode_F_per_g"] = level + lot + rng.normal(0, 6, len(cells))
    found = fit_capacitance_model(cells, screen.design, screen.firings, settings=SETTINGS)
    row = check(found, "power")
    assert row["lo"] > 0.2
    assert row["lo"] < 1.0 < row["hi"] + 0.2
    table = found.alternatives.set_index("alternative")
    assert table.loc["scale_natural", "aicc"] < table.loc["chosen", "aicc"] - 4
    assert alternative_flag(found.alternatives)[0] in found.model["flags"]


def test_aicc_does_not_depend_on_the_unit(screen, sound):
    """A change of unit multiplies the density: all AICc shift alike, the differences stay."""
    found = refit(screen, 1000.0)
    for table in (found.alternatives, sound.alternatives):
        assert table["weight"].sum() == pytest.approx(1.0)
        assert table["chosen"].tolist().count("yes") == 1
        assert table["n_predicted"].tolist() == [144] * len(table)
    pd.testing.assert_series_equal(
        found.alternatives["delta_aicc"],
        sound.alternatives["delta_aicc"],
        atol=1e-3,
        rtol=0,
    )
    np.testing.assert_allclose(
        found.alternatives["error_percent"], sound.alternatives["error_percent"], rtol=1e-3
    )


def test_an_exponential_is_recognised(screen):
    """Char yields that level off: the asymptotic exponential describes them best."""
    rng = np.random.default_rng(8)
    firings = screen.firings.assign(peak_temperature_C=np.repeat([400, 450, 500, 600, 750, 900], 2))
    temperature = screen.yields["firing"].map(firings.set_index("firing")["peak_temperature_C"])
    feed = screen.yields["feedstock"].str[1:].astype(float)
    eta = -1.2 + 0.02 * feed + 1.0 * np.exp(-(temperature - 400.0) / 100.0)
    eta = eta + rng.normal(0, 0.03, len(eta))
    yields = screen.yields.assign(
        yield_char_d_percent=100 / (1 + np.exp(-eta)), peak_temperature_C=temperature
    )
    design = screen.design.assign(peak_temperature_C=temperature)
    found = fit_yield_models(yields, design, firings, settings=SETTINGS)["char_yield"]
    table = found.alternatives.set_index("alternative")
    assert table["delta_aicc"].idxmin() == "asymptotic"
    assert table.loc["asymptotic", "error_percent"] < table.loc["chosen", "error_percent"]
    assert "100 °C" in table.loc["asymptotic", "words"]
    assert any("asymptotic exponential" in flag for flag in found.model["flags"])


def test_activated_lots_that_scatter_more_are_told(screen):
    rng = np.random.default_rng(3)
    on = screen.cells["activation"] == "KOH"
    lots = screen.cells["lot"].unique()
    more = screen.cells["lot"].map(dict(zip(lots, rng.normal(0, 0.5, len(lots)), strict=True)))
    found = refit(screen, np.exp(np.where(on, more, 0.0)))
    row = check(found, "activated_scatter")
    assert row["p"] < 0.001
    assert row["estimate"] > 2.0
    assert any("Activated lots scatter more" in flag for flag in found.model["flags"])


def test_a_firing_that_everything_hangs_on(screen):
    factor = np.where(screen.cells["firing"] == "C03", 2.5, 1.0)
    found = refit(screen, factor)
    firings = found.influence[found.influence["level"] == "firing"]
    assert firings["group"].iloc[0] == "C03"
    assert firings["sd_change_percent"].iloc[0] < -25
    assert firings["sd_change_percent"].iloc[1:5].between(-10, 15).all()
    assert firings["sd_change_percent"].iloc[5:].isna().all()


def test_a_setting_off_the_curve_is_lack_of_fit(screen):
    done = screen.firings.set_index("firing")
    at = done.loc[screen.cells["firing"]]
    odd = at["peak_temperature_C"].between(680, 720) & (at["hold_min"] == 60)
    found = refit(screen, np.where(odd, 2.0, 1.0))
    assert check(found, "lack_of_fit")["p"] < 0.01
    assert any("lack of fit" in flag for flag in found.model["flags"])


def test_shares_and_best_effort_of_known_scatter():
    """Classic allocation: n = sqrt(cell variance / lot variance * lot cost / cell cost)."""
    parts = {
        name: np.full(50, v) for name, v in {"firing": 0.01, "lot": 0.01, "cell": 0.04}.items()
    }
    budget = budget_table(parts, 90).set_index("level")
    assert budget["share_percent"].to_dict() == pytest.approx(
        {"firing": 100 / 6, "lot": 100 / 6, "cell": 400 / 6}
    )
    assert budget["chance_largest"].to_dict() == {"firing": 0.0, "lot": 0.0, "cell": 1.0}
    costs = {"firing": 60.0, "lot": 26.0, "cell": 16.0}
    table = effort_table(parts, unit="cell", costs=costs, crucibles=6, interval_percent=90)
    best = table[table["best"] == "yes"].set_index("question")
    # sqrt(4 * (60 / 6 + 26) / 16) = 3
    assert best.loc["feedstocks", "cells_per_lot"] == 3
    lots = table[(table["question"] == "temperature and hold") & (table["cells_per_lot"] == 1)]
    price = (0.01 + 0.05 / np.arange(1, 7)) * (60 + np.arange(1, 7) * 42)
    np.testing.assert_allclose(
        lots["relative_cost"] / lots["relative_cost"].min(), price / price.min()
    )
    assert (table["relative_cost"] >= 1 - 1e-12).all()
    yields = effort_table(
        {"firing": np.full(9, 1.0), "lot": np.full(9, 4.0)},
        unit="lot",
        costs=costs,
        crucibles=3,
        interval_percent=90,
    )
    assert set(yields["question"]) == {"temperature and hold"}
    assert yields["lots_per_firing"].tolist() == [1, 2, 3]


def test_the_reading_is_taken_out_of_the_residual_once():
    draws = pd.DataFrame({"v[firing]": [1.0, 1.0], "v[residual]": [3.0, 0.5]})
    ones = np.ones(2)
    plain = level_draws(draws, ["firing"], "cell", Reading(1.0, ones, False))
    assert plain["cell"].tolist() == [2.0, 0.0]
    assert plain["reading"].tolist() == [1.0, 0.5]
    weighed = level_draws(draws, ["firing"], "cell", Reading(1.0, ones, True))
    assert weighed["cell"].tolist() == [3.0, 0.5]
    assert "reading" not in level_draws(draws, ["firing"], "cell", Reading(None, ones, False))


def test_reading_variance_is_that_of_the_transformed_value():
    value, se, step = np.array([20.0, 60.0]), np.array([0.4, 0.6]), 1e-4
    logit = np.log((value + step) / (100 - value - step)) - np.log(value / (100 - value))
    np.testing.assert_allclose(
        reading_variance(value, se, "logit"), (logit / step * se) ** 2, rtol=1e-4
    )
    np.testing.assert_allclose(reading_variance(value, se, "log"), (se / value) ** 2)


def test_cells_read_badly_count_less(screen, sound):
    """Half of the cells read to 40 %: weighed by that, the cells' own scatter is found again."""
    rng = np.random.default_rng(5)
    bad = np.arange(len(screen.cells)) % 2 == 1
    relative = np.where(bad, 0.4, 0.01)
    factor = np.exp(relative * rng.normal(size=len(bad)))
    se = relative * screen.cells["electrode_F_per_g"] * factor
    found = refit(screen, factor, electrode_F_per_g_se=se)
    assert found.model["reading"]["weighted"]
    assert found.residuals["weight"].iloc[1] < 0.2 < 0.8 < found.residuals["weight"].iloc[0]
    budget = found.budget.set_index("level")
    assert budget.loc["reading", "share_percent"] > 50
    blind = refit(screen, factor)
    assert not blind.model["reading"]["weighted"]
    # The truth is 10 % between cells; without weights the readings are taken for cells.
    assert found.variance.set_index("level").loc["cell", "sd_percent"] < 16
    assert blind.variance.set_index("level").loc["cell", "sd_percent"] > 20
    assert found.effects["se"].iloc[1:12].mean() < blind.effects["se"].iloc[1:12].mean()


def test_what_is_known_of_the_feeds_enters_the_pooled_view(screen):
    names = sorted(set(screen.yields["feedstock"]))
    ash = np.linspace(1.0, 21.0, len(names))
    lift = dict(zip(names, 0.06 * ash, strict=True))
    share = screen.yields["yield_char_d_percent"] / 100
    eta = np.log(share / (1 - share)) + screen.yields["feedstock"].map(lift)
    yields = screen.yields.assign(yield_char_d_percent=100 / (1 + np.exp(-eta)))
    feeds = pd.DataFrame({"feedstock": names, "ash_d_percent": ash, "lignin_d_percent": None})
    found = fit_yield_models(
        yields, screen.design, screen.firings, settings=SETTINGS, feedstocks=feeds
    )["char_yield"]
    row = found.effects[found.effects["term"].str.startswith("ash of the feed")].iloc[0]
    assert row["lo"] < 0.6 < row["hi"]  # 0.06 per 1 %, per 10 % here
    assert found.model["terms"][0]["name"] == "feed_ash"
    assert "b[feed_ash]" in found.draws
    without = fit_yield_models(yields, screen.design, screen.firings, settings=SETTINGS)
    spread = [
        m.variance.set_index("level").loc["feedstock", "sd"] for m in (found, without["char_yield"])
    ]
    assert spread[0] < 0.7 * spread[1]


def test_feeds_that_are_not_known_or_too_few_are_said():
    lots = pd.DataFrame({"feedstock": list("abcdefgh")})
    feeds = pd.DataFrame(
        {
            "feedstock": list("abcdefgh"),
            "ash_d_percent": [1.0, 5, 3, 8, 2, 9, 4, 7],
            "lignin_d_percent": [20.0, 30, 25, 22, 31, 40, 18, 28],
            "moisture_ar_percent": [10.0] * 7 + [None],
        }
    )
    made, dropped = feed_covariates(lots, feeds)
    assert list(made) == ["feed_ash"]
    reasons = {entry["term"]: entry["reason"] for entry in dropped}
    assert "too few feedstocks for another slope" in reasons["lignin of the feed"]
    assert reasons["moisture of the feed"] == "not given for h"
    asked = pd.DataFrame({"feedstock": ["b", "new"], "activation": ["none", "none"]})
    columns = covariate_columns(asked, made)["feed_ash"]
    assert columns.tolist() == pytest.approx([(5 - 4.875) / 10, 0.0])
    assert feed_covariates(lots, pd.DataFrame()) == ({}, [])


def test_resistance_and_retention_have_models_of_their_own(screen):
    rng = np.random.default_rng(2)
    n = len(screen.cells)
    cells = screen.cells.assign(
        esr_area_ohm_cm2=np.exp(0.5 + 0.1 * rng.normal(size=n)), esr_area_ohm_cm2_se=0.01
    )
    given = (screen.design, screen.firings)
    tests = pd.DataFrame({"cell": cells["cell"], "cycles": 3, "retention_percent": 99.0})
    found = fit_performance_models(cells, tests, *given, settings=SETTINGS)
    assert list(found) == ["capacitance", "esr_area", "retention"]
    resistance = found["esr_area"]
    assert resistance.model["fitted"]
    assert resistance.model["response"] == "esr_area_ohm_cm2"
    assert resistance.means["estimate"].between(1.2, 2.2).all()
    none = found["retention"]
    assert not none.model["fitted"]
    assert "50 cycles" in none.model["reason"]
    tests["cycles"] = 1000
    tests["retention_percent"] = 90.0 * np.exp(0.03 * rng.normal(size=n))
    kept = fit_performance_models(cells, tests, *given, settings=SETTINGS)["retention"]
    assert kept.means["estimate"].between(80, 100).all()


def test_batches_are_levels_where_they_are_given(screen):
    rng = np.random.default_rng(6)
    batch = rng.integers(6, size=len(screen.cells))
    scatter = rng.normal(0, 0.3, 6)[batch]
    named = pd.Series([f"B{k}" for k in batch], dtype=object)
    found = refit(screen, np.exp(scatter), assembly_batch=named)
    assert "assembly_batch" in found.model["random"]
    sd = found.variance.set_index("level").loc["assembly_batch", "sd_percent"]
    assert 12 < sd < 80
    two = refit(screen, 1.0, assembly_batch=pd.Series(np.where(batch > 2, "a", "b"), dtype=object))
    assert "assembly_batch" not in two.model["random"]
    assert any(entry["term"] == "assembly_batch" for entry in two.model["dropped"])
    assert any("assembled together" in text for text in two.model["forbids"])


def test_finished_carbon_has_a_model_over_all_steps(screen):
    yields = screen.yields.copy()
    step = yields["yield_activated_percent"].fillna(100.0) / 100
    yields["carbon_g_per_kg_d"] = 10 * yields["yield_char_d_percent"] * step
    given = (yields, screen.design, screen.firings)
    found = fit_overall_yield_model(*given, settings=SETTINGS)
    assert found.model["scale"] == "log"
    assert found.model["random"] == ["firing", "activation_firing"]
    assert found.variance["level"].iloc[-1] == "run"
    # At the centre the product of the steps, as their own models have them.
    steps = fit_yield_models(*given, settings=SETTINGS)
    on = found.means[found.means["activation"] == "KOH"].set_index("feedstock")["estimate"]
    char = steps["char_yield"].means.set_index("feedstock")["estimate"]
    step = steps["activation_yield"].means.set_index("feedstock")["estimate"]
    np.testing.assert_allclose(on, 10 * char * step / 100, rtol=0.12)
    assert set(found.effort["question"]) == {"temperature and hold"}


def test_aliquots_of_one_lot_share_it(screen):
    yields = screen.yields.assign(carbon_g_per_kg_d=10 * screen.yields["yield_char_d_percent"])
    again = yields.iloc[:20].assign(run=yields["run"].iloc[:20] + "a")
    again["carbon_g_per_kg_d"] *= np.exp(np.random.default_rng(1).normal(0, 0.02, 20))
    both = pd.concat([yields, again], ignore_index=True)
    found = fit_overall_yield_model(both, screen.design, screen.firings, settings=SETTINGS)
    assert "lot" in found.model["random"]
    sd = found.variance.set_index("level")["sd_percent"]
    assert sd["run"] < 3 < sd["lot"]


def test_cells_that_repeat_exactly_end_in_words_not_in_a_traceback():
    screen = simulate_screen(3, n_feedstocks=4, n_firings=6, lots_per_firing=4)
    same = screen.cells.groupby("lot")["electrode_F_per_g"].transform("first")
    cells = screen.cells.assign(electrode_F_per_g=same)
    found = fit_capacitance_model(cells, screen.design, screen.firings, settings=SETTINGS)
    assert any("negligible" in flag for flag in found.model["flags"])


@pytest.mark.parametrize(
    "size",
    [
        {"n_feedstocks": 1, "n_firings": 3, "lots_per_firing": 2},
        {"n_feedstocks": 3, "n_firings": 2, "lots_per_firing": 3},
        {"n_feedstocks": 2, "n_firings": 6, "lots_per_firing": 1},
        {"n_feedstocks": 4, "n_firings": 1, "lots_per_firing": 6},
        {"n_feedstocks": 4, "n_firings": 4, "lots_per_firing": 3, "cells_per_lot": 1},
    ],
    ids=str,
)
def test_small_screens_have_the_checks_that_they_can_carry(size):
    screen = simulate_screen(2, **size)
    found = fit_capacitance_model(screen.cells, screen.design, screen.firings, settings=SETTINGS)
    unknown = found.checks["verdict"].str.startswith("not known")
    assert unknown.any()
    assert found.checks.loc[unknown, "p"].isna().all()
    assert found.alternatives["chosen"].iloc[0] == "yes"
    # Where firing, lot and cell are not told apart, nothing is said of how many are worth making.
    levels = set(found.budget["level"])
    assert found.effort.empty != ({"firing", "lot", "cell"} <= levels)
