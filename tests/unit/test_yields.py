"""Models of char yield and activation yield."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from charscreen.files import read_csv, read_json
from charscreen.graph import model_files
from charscreen.models.observations import observation_rows, one_per_lot
from charscreen.models.tables import (
    EFFECT_COLUMNS,
    MEAN_COLUMNS,
    RESIDUAL_COLUMNS,
    VARIANCE_COLUMNS,
    check_sentences,
    natural,
    not_covered,
    predict_draws,
    read_draws,
    write_model,
)
from charscreen.models.yields import fit_yield_models
from scipy.special import expit, logit
from simulated_screen import simulate_screen

SETTINGS = {"draws": 1000, "prior_scale": 1.0, "seed": 7, "interval_percent": 90}


@pytest.fixture(scope="module")
def screen():
    return simulate_screen(11)


@pytest.fixture(scope="module")
def models(screen):
    return fit_yield_models(screen.yields, screen.design, screen.firings, settings=SETTINGS)


def refit(screen, yields, **more):
    return fit_yield_models(yields, screen.design, screen.firings, settings={**SETTINGS, **more})


def test_tables_have_their_columns_and_levels(models):
    char = models["char_yield"]
    assert char.model["fitted"]
    assert char.model["scale"] == "logit"
    assert list(char.effects.columns) == EFFECT_COLUMNS
    assert list(char.variance.columns) == VARIANCE_COLUMNS
    assert list(char.means.columns) == MEAN_COLUMNS
    assert list(char.residuals.columns) == RESIDUAL_COLUMNS
    assert char.model["random"] == ["firing"]
    # one weighing per lot: the lot is the residual
    assert char.variance["level"].tolist()[-2:] == ["firing", "lot"]
    assert char.variance["n_levels"].tolist()[-2:] == [12, 72]
    step = models["activation_yield"]
    assert "activation_firing" in step.model["random"]
    assert len(step.residuals) == 36


def test_scatter_has_intervals_and_shares_of_the_experiment(models):
    variance = models["char_yield"].variance.set_index("level")
    assert (variance["lo"] < variance["sd_percent"]).all()
    assert (variance["sd_percent"] < variance["hi"]).all()
    shares = variance["share_percent"]
    assert shares[["firing", "lot"]].sum() == pytest.approx(100)
    assert np.isnan(shares["feedstock"])
    # Simulated with 0.06 on the logit at a yield near 0.3: 4.2 % of the value. With some 45
    # degrees of freedom a standard deviation scatters by 10 %; the bounds are four times that.
    assert variance.loc["lot", "sd_percent"] == pytest.approx(100 * 0.06 * 0.7, rel=0.4)


def test_means_hold_the_feedstocks_at_the_centre(models, screen):
    means = models["char_yield"].means
    assert means["feedstock"].tolist() == sorted(screen.effects["index"])
    assert means["activation"].isna().all()
    assert ((means["lo"] < means["estimate"]) & (means["estimate"] < means["hi"])).all()
    assert means["n_lots"].tolist() == [6] * 12
    assert set(models["activation_yield"].means["activation"]) == {"KOH"}
    # Near the plain means of the logit, as the design is nearly balanced (within 1 point).
    raw = screen.yields.assign(y=logit(screen.yields["yield_char_d_percent"] / 100))
    raw = 100 * expit(raw.groupby("feedstock")["y"].mean())
    assert np.abs(means["estimate"].to_numpy() - raw.to_numpy()).max() < 2.5


def test_what_the_kiln_did_replaces_the_plan(screen):
    rows = observation_rows(
        screen.yields,
        screen.design,
        screen.firings,
        value="yield_char_d_percent",
        identity="run",
    )
    done = screen.firings.set_index("firing")["peak_temperature_C"]
    assert np.allclose(rows["peak_temperature_C"], rows["firing"].map(done))
    planned = observation_rows(
        screen.yields,
        screen.design,
        screen.firings.iloc[:0],
        value="yield_char_d_percent",
        identity="run",
    )
    assert set(planned["peak_temperature_C"]) == {600.0, 700.0, 800.0}


def test_an_aliquot_does_not_count_its_parents_char_yield_again():
    rows = pd.DataFrame(
        {
            "id": ["R1", "R1k", "R2k", "R2m"],
            "aliquot": ["R1", "R1k", "R2k", "R2m"],
            "lot": ["R1", "R1", "R2", "R2"],
            "value": [30.0, 30.0, 25.0, 25.0],
        }
    )
    assert one_per_lot(rows)["id"].tolist() == ["R1", "R2k"]


def test_predictions_from_the_files_alone(models, tmp_path, screen):
    char = models["char_yield"]
    paths = {k: Path(v) for k, v in model_files(str(tmp_path), "char_yield").items()}
    write_model(char, "char_yield", paths)
    model = read_json(paths["char_yield_model"])
    draws = read_draws(paths["char_yield_draws"])
    asked = pd.DataFrame(
        {
            "feedstock": ["f00", "f00", "f03"],
            "activation": ["none", "KOH", "none"],
            "peak_temperature_C": [700.0, 700.0, 600.0],
            "hold_min": [60.0, 60.0, 30.0],
        }
    )
    eta = predict_draws(model, draws, asked)
    assert eta.shape == (1000, 3)
    assert np.array_equal(eta, predict_draws(char.model, char.draws, asked))
    assert np.array_equal(eta[:, 0], eta[:, 1])  # char comes before activation
    value = natural(model, eta)
    assert ((value > 0) & (value < 100)).all()
    # By hand for the third: intercept, terms, feedstock and its slope.
    c = model["covariates"]
    t = (600 - c["temperature"]["centre"]) / 100
    h = np.log2(30) - c["log2_hold"]["centre"]
    slope = next(p for p in model["pooled"] if p["name"] == "feedstock|temperature")
    hand = (
        draws["b[Intercept]"]
        + draws["b[temperature]"] * t
        + draws["b[temperature_squared]"] * t**2
        + draws["b[log2_hold]"] * h
        + draws["u[feedstock|f03]"]
        + draws["u[feedstock|temperature|f03]"] * (t - slope["centre"]) / slope["scale"]
    )
    assert np.allclose(eta[:, 2], hand)
    assert list(read_csv(paths["char_yield_effects"]).columns) == EFFECT_COLUMNS


def test_an_unknown_feedstock_is_drawn_from_the_spread_of_the_others(models):
    char = models["char_yield"]
    asked = pd.DataFrame(
        {
            "feedstock": ["f00", "new", "new"],
            "activation": "none",
            "peak_temperature_C": 700.0,
            "hold_min": 60.0,
        }
    )
    eta = predict_draws(char.model, char.draws, asked, seed=1)
    assert np.array_equal(eta[:, 1], eta[:, 2])
    assert eta[:, 1].std() > 2 * eta[:, 0].std()
    assert not_covered(char.model, asked)[1] == "nothing of this feedstock is measured yet"


def test_outside_what_was_measured_is_not_covered(models):
    asked = pd.DataFrame(
        {
            "feedstock": "f00",
            "activation": "none",
            "peak_temperature_C": [700.0, 900.0, 700.0],
            "hold_min": [60.0, 60.0, 240.0],
        }
    )
    assert not_covered(models["char_yield"].model, asked) == [
        "",
        "nothing is measured near 900 °C yet",
        "nothing is measured near a hold of 240 min yet",
    ]


def test_same_seed_gives_the_same_draws_and_models_differ(screen, models):
    again = refit(screen, screen.yields)
    pd.testing.assert_frame_equal(again["char_yield"].draws, models["char_yield"].draws)
    seeds = [m.model["posterior"]["seed"] for m in models.values()]
    assert len(set(seeds)) == 2


def test_no_yields_leave_empty_tables_and_a_reason(screen):
    found = refit(screen, screen.yields.iloc[:0])
    char = found["char_yield"]
    assert char.model["fitted"] is False
    assert char.model["reason"] == "no lot has a char yield yet"
    assert char.effects.empty
    assert list(char.effects.columns) == EFFECT_COLUMNS
    assert check_sentences(char.model) == ["No model of char yield: no lot has a char yield yet."]
    with pytest.raises(ValueError, match="no lot has a char yield yet"):
        predict_draws(char.model, char.draws, screen.yields)


def test_no_activated_lot(screen):
    found = refit(screen, screen.yields.assign(yield_activated_percent=np.nan))
    assert found["char_yield"].model["fitted"]
    assert found["activation_yield"].model["reason"] == "no activated lot has been weighed yet"


def test_lots_without_repeats_are_not_fitted(screen):
    one_each = screen.yields.drop_duplicates("feedstock")
    char = refit(screen, one_each)["char_yield"]
    assert char.model["fitted"] is False
    assert "12 lots of 12 feedstocks do not show how much repeats scatter" in char.model["reason"]
    char = refit(screen, one_each.head(1))["char_yield"]
    assert "1 lot of 1 feedstock does not show how much repeats" in char.model["reason"]


def test_one_firing_only(screen):
    one = screen.yields[screen.yields["firing"].isin(["C01"])]
    extra = one.assign(run=one["run"] + "b", lot=one["lot"] + "b")
    extra["yield_char_d_percent"] *= 1 + 0.02 * np.random.default_rng(1).standard_normal(len(one))
    char = refit(screen, pd.concat([one, extra]))["char_yield"]
    assert char.model["fitted"]
    assert char.model["terms"] == []
    assert char.model["random"] == []
    sentences = check_sentences(char.model)
    assert any("all rests on one firing" in s for s in sentences)


def test_one_feedstock(screen):
    one = screen.yields.assign(feedstock="f00")
    char = refit(screen, one)["char_yield"]
    assert char.model["fitted"]
    assert char.model["pooled"] == []
    assert len(char.means) == 1
    assert any(
        "differences between feedstocks: one is measured" in s for s in check_sentences(char.model)
    )


def test_yields_of_zero_or_a_hundred_percent_are_left_out_and_named(screen):
    wrong = screen.yields.copy()
    wrong.loc[[0, 5], "yield_char_d_percent"] = [0.0, 100.0]
    char = refit(screen, wrong)["char_yield"]
    assert char.model["n"] == 70
    assert (
        "Left out of the model of char yield, not between 0 and 100 %: R011, R016."
        in check_sentences(char.model)
    )


def test_equal_yields_are_refused_in_words(screen):
    same = refit(screen, screen.yields.assign(yield_char_d_percent=30.0))["char_yield"]
    assert same.model["fitted"] is False
    assert "same" in same.model["reason"]


def test_a_model_without_data_is_written_and_read_like_any_other(screen, tmp_path):
    char = refit(screen, screen.yields.iloc[:0])["char_yield"]
    paths = {k: Path(v) for k, v in model_files(str(tmp_path), "char_yield").items()}
    write_model(char, "char_yield", paths)
    assert all(path.exists() for path in paths.values())
    assert read_draws(paths["char_yield_draws"]).empty
    assert list(read_csv(paths["char_yield_means"]).columns) == MEAN_COLUMNS
    assert read_json(paths["char_yield_model"])["fitted"] is False


def test_tables_of_a_new_screen_are_empty_frames(screen):
    nothing = pd.DataFrame()
    found = fit_yield_models(nothing, nothing, nothing, settings=SETTINGS)
    assert [m.model["fitted"] for m in found.values()] == [False, False]
    # No table of firings done, no design: the plan in the result table stands.
    found = fit_yield_models(screen.yields, nothing, nothing, settings=SETTINGS)
    assert found["char_yield"].model["fitted"]
