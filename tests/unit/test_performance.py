"""The model of capacitance, from full and from half-measured screens, against known truth."""

import json

import numpy as np
import pandas as pd
import pytest
from capacitance_model import fit_capacitance_model
from charscreen.models import fixed_view
from charscreen.models.tables import check_sentences, not_covered
from charscreen.models.yields import fit_yield_models
from charscreen.rank import rank_candidates
from charscreen.rank.candidates import list_candidates
from simulated_screen import simulate_screen

SETTINGS = {"draws": 1000, "prior_scale": 1.0, "seed": 7, "interval_percent": 90}


@pytest.fixture(scope="module")
def screen():
    return simulate_screen(21)


@pytest.fixture(scope="module")
def fitted(screen):
    return fit_capacitance_model(screen.cells, screen.design, screen.firings, settings=SETTINGS)


def refit(screen, cells):
    return fit_capacitance_model(cells, screen.design, screen.firings, settings=SETTINGS)


def test_levels_and_terms_of_a_full_screen(fitted):
    model = fitted.model
    assert model["random"] == ["firing", "lot", "activation_firing"]
    assert [p["name"] for p in model["pooled"]] == [
        "feedstock",
        "feedstock|temperature",
        "feedstock:activation",
    ]
    assert fitted.variance["level"].tolist()[3:] == ["firing", "lot", "activation_firing", "cell"]
    assert [t["name"] for t in model["terms"]] == [
        "temperature",
        "log2_hold",
        "activated",
        "temperature_squared",
        "temperature_by_activation",
    ]
    assert len(fitted.means) == 24
    assert len(fitted.residuals) == 144
    assert model["converged"] is True


def test_draws_are_plain_columns_for_coefficients_feedstocks_and_variances(fitted):
    columns = list(fitted.draws.columns)
    assert "b[Intercept]" in columns
    assert "v[residual]" in columns
    assert "u[feedstock:activation|f03:KOH]" in columns
    assert not any(c.startswith(("u[lot", "u[firing")) for c in columns)
    assert np.isfinite(fitted.draws.to_numpy()).all()


def test_residuals_are_those_of_the_log(fitted, screen):
    table = fitted.residuals.set_index("id")
    y = np.log(screen.cells.set_index("cell")["electrode_F_per_g"])
    assert np.allclose(table["fitted"] + table["residual"], y[table.index])
    assert 0.7 < table["standardised"].std() < 1.1


def test_means_of_one_feedstock_agree_with_its_cells(fitted, screen):
    means = fitted.means.set_index(["feedstock", "activation"])
    raw = screen.cells.assign(y=np.log(screen.cells["electrode_F_per_g"]))
    raw = np.exp(raw.groupby(["feedstock", "activation"])["y"].mean())
    # Means are adjusted to the centre of the design; conditions differ by some 10 %.
    assert np.abs(np.log(means["estimate"] / raw)).max() < 0.25


def test_no_activation(screen):
    plain = screen.cells[screen.cells["activation"] == "none"]
    found = refit(screen, plain)
    assert found.model["fitted"]
    assert found.model["activations"] == ["none"]
    assert "no activated lot is measured" in " ".join(check_sentences(found.model))
    assert set(found.means["activation"]) == {"none"}


def test_one_cell_per_lot(screen):
    found = refit(screen, screen.cells.drop_duplicates("run"))
    assert found.model["random"][0] == "firing"
    assert "lot" not in found.model["random"]
    assert any(
        "scatter of lots cannot be told from that of cells" in s
        for s in check_sentences(found.model)
    )


def test_one_lot_per_feedstock(screen):
    keep = screen.cells.drop_duplicates("feedstock")["run"]
    found = refit(screen, screen.cells[screen.cells["run"].isin(keep)])
    assert found.model["fitted"]
    assert any("No feedstock has a second lot" in s for s in check_sentences(found.model))
    assert found.model["terms"] == []


def test_one_firing(screen):
    found = refit(screen, screen.cells[screen.cells["firing"] == "C01"])
    assert found.model["fitted"]
    assert "firing" not in found.model["random"]
    assert any("all rests on one firing" in s for s in check_sentences(found.model))


def test_one_feedstock(screen):
    found = refit(screen, screen.cells[screen.cells["feedstock"] == "f00"])
    assert found.model["fitted"]
    assert found.model["pooled"] == []


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_hardly_any_cell(screen, n):
    found = refit(screen, screen.cells.iloc[:n])
    assert found.model["fitted"] is False
    assert found.effects.empty
    assert found.means.empty
    assert found.draws.empty
    expected = "no cell has a capacitance yet" if n == 0 else f"{n} cell"
    assert found.model["reason"].startswith(expected)


def test_cells_without_a_positive_value_are_left_out_and_named(screen):
    wrong = screen.cells.copy()
    wrong.loc[3, "electrode_F_per_g"] = -2.0
    found = refit(screen, wrong)
    assert found.model["n"] == 143
    assert "not above zero: R012-2." in check_sentences(found.model)[0]


def all_models(screen, draws=1000):
    settings = {**SETTINGS, "draws": draws}
    models = fit_yield_models(screen.yields, screen.design, screen.firings, settings=settings)
    models["capacitance"] = fit_capacitance_model(
        screen.cells, screen.design, screen.firings, settings=settings
    )
    return models


def test_a_screen_with_yields_of_some_and_cells_of_others_is_ranked(screen):
    cells = screen.cells[~screen.cells["feedstock"].isin(["f00", "f01"])]
    yields = screen.yields[screen.yields["feedstock"] != "f02"]
    models = fit_yield_models(yields, screen.design, screen.firings, settings=SETTINGS)
    models["capacitance"] = refit(screen, cells)
    candidates = list_candidates(screen.design, screen.firings, yields, cells)
    ranking, summary, *_ = rank_candidates(
        candidates,
        {name: m.model for name, m in models.items()},
        {name: m.draws for name, m in models.items()},
        merits=["electrode_F_per_g", "device_F_per_kg_d"],
        seed=1,
    )
    by = ranking.groupby("merit")["feedstock"].agg(set)
    everything = set(screen.effects["index"])
    assert by["electrode_F_per_g"] == everything - {"f00", "f01"}
    assert by["device_F_per_kg_d"] == everything - {"f00", "f01", "f02"}
    assert by["carbon_g_per_kg_d"] == everything - {"f02"}
    assert summary["missing"]
    assert ranking.groupby("merit")["p_best"].sum().tolist() == pytest.approx([1, 1, 1])


@pytest.mark.slow
def test_the_truth_lies_inside_the_intervals_about_as_often_as_stated():
    # 4 screens, 90 % intervals of all tested candidates (about 60 each). Candidates of one
    # screen share their firings, so the screen is the unit: with some 60 candidates of pairwise
    # correlation up to 0.5, the coverage of one screen scatters by up to about 0.2 and the mean
    # of four by 0.1; the bounds are two of these below 0.90. The bench counts many screens.
    inside, total = 0, 0
    for seed in range(4):
        screen = simulate_screen(100 + seed)
        models = all_models(screen)
        candidates = list_candidates(screen.design, screen.firings, screen.yields, screen.cells)
        ranking, *_ = rank_candidates(
            candidates,
            {name: m.model for name, m in models.items()},
            {name: m.draws for name, m in models.items()},
            merits=["electrode_F_per_g"],
            seed=seed,
        )
        truth = screen.true_values(ranking)["electrode_F_per_g"]
        hit = (ranking["estimate_lo"] <= truth) & (truth <= ranking["estimate_hi"])
        inside, total = inside + hit.sum(), total + len(hit)
    assert total > 200
    assert 0.70 <= inside / total <= 0.99


# --- screens with too few lots for what they varied ------------------------------------------


def small_screen(lots, koh_factor=2.0):
    """Design, yields and cells (two per lot) of (feedstock, firing, °C, min, activation)."""
    rng = np.random.default_rng(5)
    runs, yields, cells = [], [], []
    for k, (feedstock, firing, temperature, hold, activation) in enumerate(lots):
        on = activation == "KOH"
        run = {
            "run": f"R{k}",
            "feedstock": feedstock,
            "firing": firing,
            "peak_temperature_C": float(temperature),
            "hold_min": float(hold),
            "activation": activation,
            "koh_ratio": 3.0 if on else np.nan,
            "activation_firing": "A1" if on else None,
            "activation_temperature_C": 700.0 if on else np.nan,
            "activation_hold_min": 60.0 if on else np.nan,
        }
        runs.append(run)
        made = {
            "yield_char_d_percent": 28 + rng.normal(0, 2),
            "yield_activated_percent": 25 + rng.normal(0, 2) if on else np.nan,
        }
        yields.append({**run, "lot": run["run"], **made})
        for n in (1, 2):
            value = 100 * (koh_factor if on else 1) * np.exp(rng.normal(0, 0.05))
            cells.append(
                {**run, "lot": run["run"], "cell": f"R{k}-{n}", "electrode_F_per_g": value}
            )
    return pd.DataFrame(runs), pd.DataFrame(yields), pd.DataFrame(cells)


def fit_and_rank(lots, merits=("electrode_F_per_g",)):
    design, yields, cells = small_screen(lots)
    done = pd.DataFrame(columns=["firing", "peak_temperature_C", "hold_min"])
    models = fit_yield_models(yields, design, done, settings=SETTINGS)
    models["capacitance"] = fit_capacitance_model(cells, design, done, settings=SETTINGS)
    ranking, summary, *_ = rank_candidates(
        list_candidates(design, done, yields, cells),
        {name: m.model for name, m in models.items()},
        {name: m.draws for name, m in models.items()},
        merits=merits,
        seed=1,
    )
    return models["capacitance"], ranking, summary


ONE_KOH = [
    ("a", "C1", 700, 60, "none"),
    ("b", "C1", 700, 60, "none"),
    ("c", "C1", 700, 60, "none"),
    ("d", "C2", 700, 60, "none"),
    ("a", "C2", 700, 60, "none"),
    ("b", "C2", 700, 60, "KOH"),
]


def test_one_activated_lot_too_few_to_compare_is_neither_fitted_nor_ranked():
    found, ranking, summary = fit_and_rank(ONE_KOH)
    model, words = found.model, "too few lots are measured to tell what activation changes"
    assert model["n_lots"] == 5
    assert {"term": "activation", "reason": words} in model["dropped"]
    assert any("what activation changes" in text for text in model["forbids"])
    assert model["flags"][0] == (
        f"Left out of the model of electrode capacitance: R5-1, R5-2 (activated); {words}."
    )
    assert set(found.means["activation"]) == {"none"}
    # Its cells at twice the value do not lift the plain char of the same feedstock.
    assert found.means.set_index("feedstock")["estimate"]["b"] < 120
    electrode = ranking[ranking["merit"] == "electrode_F_per_g"]
    assert set(electrode["activation"]) == {"none"}
    assert summary["merits"]["electrode_F_per_g"]["not_ranked"] == [
        {"candidate": "b_700C_60min_KOH3", "reason": words}
    ]


def test_one_plain_lot_among_activated_ones_leaves_the_model_likewise():
    turned = [(*lot[:4], "KOH" if lot[4] == "none" else "none") for lot in ONE_KOH]
    found, ranking, _ = fit_and_rank(turned)
    assert set(found.means["activation"]) == {"KOH"}
    assert "(not activated)" in found.model["flags"][0]
    assert set(ranking.loc[ranking["merit"] == "electrode_F_per_g", "activation"]) == {"KOH"}


def test_activation_keeps_its_term_where_temperature_has_to_go():
    found, ranking, summary = fit_and_rank(
        [
            ("a", "C1", 600, 60, "none"),
            ("b", "C1", 600, 60, "none"),
            ("a", "C1", 600, 60, "KOH"),
            ("c", "C2", 700, 60, "none"),
            ("b", "C3", 800, 60, "none"),
            ("c", "C3", 800, 60, "none"),
        ]
    )
    model = found.model
    assert [t["name"] for t in model["terms"]] == ["activated"]
    reason = "too few lots for another term"
    assert {"term": "peak temperature", "reason": reason} in model["dropped"]
    claim = f"Nothing can be said about the effect of peak temperature: {reason}."
    assert claim in model["forbids"]
    assert any(
        text.startswith("Peak temperature differed between lots but has no term")
        for text in model["flags"]
    )
    # Three lots at 600 °C, one and two elsewhere.
    electrode = ranking[ranking["merit"] == "electrode_F_per_g"]
    assert set(electrode["candidate"]) == {"a_600C_60min", "b_600C_60min", "a_600C_60min_KOH3"}
    left = summary["merits"]["electrode_F_per_g"]["not_ranked"]
    assert {row["candidate"] for row in left} == {"c_700C_60min", "b_800C_60min", "c_800C_60min"}
    assert {row["reason"] for row in left} == {
        "the model of capacitance has no term for peak temperature (too few lots for another "
        "term), so only candidates at peak temperature 600 °C are ranked: no other has more lots "
        "measured"
    }


def test_two_firings_at_two_conditions_are_not_compared_by_any_merit():
    fired = [("C1", 600, 30), ("C2", 800, 60)]
    lots = [(f, *firing, "none") for f in "abcd" for firing in fired] + [("e", *fired[1], "none")]
    _, ranking, summary = fit_and_rank(lots, merits=["electrode_F_per_g", "device_F_per_kg_d"])
    for merit in ("electrode_F_per_g", "device_F_per_kg_d"):
        ranked = set(ranking.loc[ranking["merit"] == merit, "candidate"])
        assert ranked == {f"{f}_800C_60min" for f in "abcde"}
        reason = summary["merits"][merit]["not_ranked"][0]["reason"]
        assert "so only candidates at peak temperature 800 °C and hold 60 min are ranked" in reason


def test_feedstocks_fired_at_one_condition_each_keep_their_places():
    # Each was measured as it is ranked; what the temperature does is not claimed.
    lots = [
        (f, f"C{k % 2 + 1 + 2 * n}", 600 if k % 2 else 800, 60, "none")
        for k, f in enumerate("abcdef")
        for n in (0, 1)
    ]
    found, ranking, _ = fit_and_rank(lots)
    assert found.model["uncompared"] == []
    assert [row["factor"] for row in found.model["tied"]] == ["temperature", "log2_hold"]
    assert len(ranking[ranking["merit"] == "electrode_F_per_g"]) == 6
    assert any("differences between feedstocks" in text for text in found.model["forbids"])


def test_a_feedstock_is_not_given_the_value_of_its_other_side():
    # Activation follows the feedstock in the cells; of a both ways were weighed, one measured.
    lots = [(f, c, 700, 60, "KOH" if f in "cd" else "none") for f in "abcd" for c in ("C1", "C2")]
    design, yields, cells = small_screen([*lots, ("a", "C2", 700, 60, "KOH")])
    cells = cells[cells["run"] != "R8"]
    done = pd.DataFrame(columns=["firing", "peak_temperature_C", "hold_min"])
    found = fit_capacitance_model(cells, design, done, settings=SETTINGS)
    assert [t["name"] for t in found.model["terms"]] == []
    ranking, summary, *_ = rank_candidates(
        list_candidates(design, done, yields, cells),
        {"capacitance": found.model},
        {"capacitance": found.draws},
        merits=["electrode_F_per_g"],
        seed=1,
    )
    assert set(ranking["candidate"]) == {
        "a_700C_60min",
        "b_700C_60min",
        "c_700C_60min_KOH3",
        "d_700C_60min_KOH3",
    }
    assert summary["merits"]["electrode_F_per_g"]["not_ranked"] == [
        {
            "candidate": "a_700C_60min_KOH3",
            "reason": "the model has no term for activation, and what is measured "
            "lies at another one",
        }
    ]


def test_no_hold_at_all_counts_as_the_shortest_of_the_scale():
    fired = [("C1", 0), ("C2", 30), ("C3", 60), ("C4", 0)]
    found, ranking, _ = fit_and_rank([(f, c, 700, h, "none") for f in "abcd" for c, h in fired])
    assert [t["name"] for t in found.model["terms"]] == ["log2_hold"]
    assert (
        "Hold counts as 5 min where it was shorter (down to 0 min): the model works per doubling."
        in found.model["flags"]
    )
    # By hand: log2 of 5, 30, 60 and 5.
    centre = np.mean(np.log2([5.0, 30.0, 60.0, 5.0]))
    assert found.model["covariates"]["log2_hold"]["centre"] == pytest.approx(centre)
    json.dumps(found.model, allow_nan=False)
    electrode = ranking[ranking["merit"] == "electrode_F_per_g"]
    assert set(electrode["hold_min"]) == {0.0, 30.0, 60.0}
    asked = pd.DataFrame({"feedstock": "a", "activation": "none", "hold_min": [0.0, 3.0, 90.0]})
    asked["peak_temperature_C"] = 700.0
    assert not_covered(found.model, asked) == [
        "",
        "",
        "nothing is measured near a hold of 90 min yet",
    ]
    assert np.isfinite(electrode["estimate"]).all()


def test_below_the_least_degrees_of_freedom_there_is_no_interval(monkeypatch):
    # One degree is rarely undercut; the rule is tried at a bound that this screen straddles.
    whole, _, _ = fit_and_rank(ONE_KOH)
    assert whole.effects[["lo", "hi", "p"]].notna().all(axis=None)
    bound = float(whole.effects["df"].min()) + 1e-6
    assert bound > fixed_view.LEAST_DF == 1.0
    monkeypatch.setattr(fixed_view, "LEAST_DF", bound)
    found, _, _ = fit_and_rank(ONE_KOH)
    few = found.effects["df"] < bound
    assert few.any()
    assert not few.all()
    bare = found.effects[few]
    assert bare[["lo", "hi", "p"]].isna().all(axis=None)
    assert np.isfinite(bare[["estimate", "se", "df"]]).all(axis=None)
    assert found.effects.loc[~few, ["lo", "hi", "p"]].notna().all(axis=None)
    flag = next(f for f in found.model["flags"] if f.startswith("Too few firings or lots to give"))
    for term in bare["term"]:
        assert term in flag
    missing = found.means[found.means["lo"].isna()]
    assert missing["hi"].isna().all()
    assert found.means["estimate"].notna().all()
    for feedstock in missing["feedstock"]:
        assert f"the mean of {feedstock} (not activated)" in flag


def test_flags_are_in_words():
    found, _, _ = fit_and_rank(ONE_KOH)
    text = " ".join(check_sentences(found.model))
    assert "Random level lot dropped" in text
    assert "'" not in text
    assert "|" not in text
