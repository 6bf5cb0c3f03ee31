"""Yields kept from a fit: written by a command, checked when read, taken by the plan."""

import keep_priors as command
import numpy as np
import pandas as pd
import pytest
from capacitance_model import fit_capacitance_model
from charscreen.files import read_json, write_csv, write_json
from charscreen.graph import model_files
from charscreen.models.tables import write_model
from charscreen.models.yields import fit_yield_models
from charscreen.plan.keeping import KeepError, conditions_of, keep_priors, render_priors
from charscreen.priors import expected_yield, read_priors
from charscreen.screen import ScreenError, open_screen
from tiny_screen import write_screen

SCATTER = {"firing": 0.05, "lot": 0.12}
TRUE = {"husk": -0.6, "peel": -1.2, "stone": -0.9}
SLOPE = -0.15


def yields_of(n_repeats=6, seed=4):
    """Char yields of three wastes at two temperatures with known scatter on the logit scale."""
    rng = np.random.default_rng(seed)
    rows = []
    for repeat in range(n_repeats):
        for peak in (600.0, 800.0):
            firing = f"F{repeat}{peak:.0f}"
            shift = rng.normal(0, SCATTER["firing"])
            for waste, level in TRUE.items():
                eta = level + SLOPE * (peak - 700) / 100 + shift + rng.normal(0, SCATTER["lot"])
                rows.append(
                    {"run": f"{waste}{firing}", "lot": f"{waste}{firing}", "feedstock": waste,
                     "firing": firing, "activation": "none", "koh_ratio": np.nan,
                     "activation_firing": None, "peak_temperature_C": peak, "hold_min": 60.0,
                     "yield_char_d_percent": 100 / (1 + np.exp(-eta)),
                     "yield_activated_percent": np.nan}
                )  # fmt: skip
    return pd.DataFrame(rows)


@pytest.fixture(scope="module")
def fits():
    yields = yields_of()
    nothing = pd.DataFrame({"run": [], "firing": []})
    settings = {"draws": 2000, "prior_scale": 1.0, "seed": 1}
    models = fit_yield_models(yields, nothing, nothing, settings=settings)
    models["capacitance"] = fit_capacitance_model(
        pd.DataFrame({"cell": []}), nothing, nothing, settings=settings
    )
    firings = yields.drop_duplicates("firing")[["firing", "peak_temperature_C", "hold_min"]]
    firings = firings.assign(
        kind="carbonise",
        planned_peak_temperature_C=firings["peak_temperature_C"],
        planned_hold_min=np.nan,
    )
    return models, firings


@pytest.fixture
def screen(tmp_path, fits):
    """A screen on disk whose results hold these fits."""
    models, firings = fits
    folder = write_screen(tmp_path)
    for name, tables in models.items():
        write_model(tables, name, model_files(str(folder / "results" / "fit"), name))
    write_csv(firings, folder / "results" / "collect" / "firings.csv")
    return folder


def test_models_without_a_fit_are_not_kept(fits):
    models, firings = fits
    text = render_priors(
        {name: tables.model for name, tables in models.items()},
        {name: tables.draws for name, tables in models.items()},
        firings,
    )
    assert "activation_yield" not in text.split("char_yield:")[1]
    assert text.count("- {feedstock:") == 6
    assert "scatter: {firing: " in text


def test_the_command_keeps_and_the_screen_reads(screen, capsys):
    assert command.main([str(screen)]) == 0
    assert "6 expected yields" in capsys.readouterr().out
    priors = open_screen(screen).priors
    assert "config/priors.yaml" in open_screen(screen).files
    assert set(priors) == {"char_yield"}
    total = np.hypot(SCATTER["firing"], SCATTER["lot"])
    for waste, level in TRUE.items():
        mean, spread = expected_yield(
            priors, "char_yield", waste, peak_temperature_C=800.0, hold_min=60.0
        )
        truth = 1 / (1 + np.exp(-(level + SLOPE)))
        # Six lots of scatter 0.13 on the logit scale: 0.05 (1 − y) of the yield; four of these.
        assert mean == pytest.approx(100 * truth, rel=4 * 0.053 * (1 - truth))
        # A lot's scatter from 36 lots is known to some 15 %, that of firings worse; both, and
        # what the fit leaves open, are in the spread.
        assert spread == pytest.approx(100 * total * (1 - truth), rel=0.5)
    assert priors["char_yield"]["scatter"]["residual"] == pytest.approx(SCATTER["lot"], rel=0.4)


def test_keeping_again_changes_nothing_and_other_priors_are_not_lost(screen):
    keep_priors(screen)
    path = screen / "config" / "priors.yaml"
    first = path.read_bytes()
    assert keep_priors(screen) == [
        "config/priors.yaml holds these priors already; nothing was written."
    ]
    path.write_text("char_yield: {}\n", encoding="utf-8")
    with pytest.raises(KeepError, match="add --replace"):
        keep_priors(screen)
    assert path.read_text(encoding="utf-8") == "char_yield: {}\n"
    done = keep_priors(screen, replace=True)
    assert done[0] == "The old priors are kept as history/priors_1.yaml."
    assert path.read_bytes() == first
    assert (screen / "history" / "priors_1.yaml").read_text("utf-8") == "char_yield: {}\n"


def test_nothing_is_kept_without_a_fit(tmp_path, capsys):
    folder = write_screen(tmp_path)
    assert command.main([str(folder)]) == 1
    said = capsys.readouterr().err
    assert "There is no fit yet" in said
    assert f"snakemake fit --directory {folder}" in said
    assert not (folder / "config" / "priors.yaml").exists()
    assert command.main([str(tmp_path / "nowhere")]) == 1
    assert "is no screen" in capsys.readouterr().err


def test_conditions_are_those_planned_else_those_done():
    firings = pd.DataFrame(
        [
            {"kind": "carbonise", "peak_temperature_C": 704.0, "hold_min": 61.0,
             "planned_peak_temperature_C": 700.0, "planned_hold_min": 60.0},
            {"kind": "carbonise", "peak_temperature_C": 699.0, "hold_min": 60.0,
             "planned_peak_temperature_C": 700.0, "planned_hold_min": 60.0},
            {"kind": "carbonise", "peak_temperature_C": 650.0, "hold_min": 30.0,
             "planned_peak_temperature_C": np.nan, "planned_hold_min": np.nan},
            {"kind": "activate", "peak_temperature_C": 800.0, "hold_min": 60.0,
             "planned_peak_temperature_C": 800.0, "planned_hold_min": 60.0},
        ]
    )  # fmt: skip
    assert conditions_of(firings) == [(650.0, 30.0), (700.0, 60.0)]


ENTRY = (
    "{feedstock: husk, peak_temperature_C: 700, hold_min: 60, mean_percent: 30, spread_percent: 9}"
)


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ("char_yeild: {}\n", "char_yeild", "Did you mean 'char_yield'?"),
        ("char_yield: 3\n", "char_yield", "holds no keys"),
        ("char_yield: {lotts: 3}\n", "char_yield.lotts", "unknown"),
        ("char_yield: {scatter: {lot: -1}}\n", "char_yield.scatter", "from 0"),
        ("char_yield: {expected: 3}\n", "char_yield.expected", "no list"),
        ("char_yield: {expected: [{mean_percent: 3}]}\n", "char_yield.expected, entry 1",
         "names no feedstock"),
        (f"char_yield: {{expected: [{ENTRY.replace('30', '0')}]}}\n",
         "char_yield.expected, entry 1, mean_percent", "'0' is no number above 0 to 100."),
        (f"char_yield: {{expected: [{ENTRY.replace('700', 'hot')}]}}\n",
         "char_yield.expected, entry 1, peak_temperature_C", "'hot' is no number"),
        ("- 1\n", "", "no sections"),
        ("a: [\n", "", "cannot be read"),
    ],
)  # fmt: skip
def test_priors_that_cannot_be_used_stop_the_screen(tmp_path, text, key, words):
    folder = write_screen(tmp_path)
    (folder / "config" / "priors.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(ScreenError) as trouble:
        open_screen(folder)
    assert "1 problem in config/priors.yaml" in str(trouble.value)
    (found,) = [f for f in trouble.value.findings if f.file == "priors.yaml"]
    assert found.column == key
    assert words in found.message
    assert "keep the priors anew" in found.message


def test_no_file_and_an_empty_file_are_no_priors(tmp_path):
    assert read_priors(tmp_path / "priors.yaml") == ({}, [])
    (tmp_path / "priors.yaml").write_text("# nothing yet\n", encoding="utf-8")
    assert read_priors(tmp_path / "priors.yaml") == ({}, [])


def test_the_nearest_kept_condition_counts_and_none_far_away():
    entries = [
        {"feedstock": "husk", "peak_temperature_C": peak, "hold_min": hold, "mean_percent": mean,
         "spread_percent": 9.0}
        for peak, hold, mean in ((700, 60, 30), (720, 60, 29), (700, 30, 32))
    ]  # fmt: skip
    priors = {"char_yield": {"expected": entries}}

    def at(peak, hold, model="char_yield", feedstock="husk"):
        return expected_yield(priors, model, feedstock, peak_temperature_C=peak, hold_min=hold)

    assert at(705, 60) == (30.0, 9.0)
    assert at(715, 62) == (29.0, 9.0)
    assert at(700, 30) == (32.0, 9.0)
    assert at(700, 45) is None
    assert at(760, 60) is None
    assert at(700, 60, feedstock="peel") is None
    assert at(700, 60, model="activation_yield") is None


def test_what_differs_between_feedstocks_is_kept_for_the_judgement_of_a_plan(screen):
    keep_priors(screen)
    kept = open_screen(screen).priors["char_yield"]["scatter"]
    assert {"firing", "residual", "feedstock", "feedstock|temperature"} <= set(kept)
    # Three wastes at -0.6, -1.2 and -0.9 with one slope for all: the spread of three is 0.3 and
    # known within a factor of two or so; slopes are pulled towards none.
    assert 0.15 < kept["feedstock"] < 0.9
    assert kept["feedstock|temperature"] < 0.15


def test_what_lacks_for_keeping_is_told_with_the_command(screen):
    firings = screen / "results" / "collect" / "firings.csv"
    firings.unlink()
    with pytest.raises(KeepError) as told:
        keep_priors(screen)
    assert f"There is no fit yet ({firings} is absent)." in str(told.value)
    assert f"snakemake fit --directory {screen}" in str(told.value)
    config = screen / "config" / "config.yaml"
    config.write_text(config.read_text() + "\nno_such_key: 1\n")
    with pytest.raises(KeepError, match="no_such_key"):
        keep_priors(screen)
    assert not (screen / "config" / "priors.yaml").exists()


def test_a_model_that_was_not_fitted_is_not_kept(screen):
    path = model_files(str(screen / "results" / "fit"), "char_yield")["char_yield_model"]
    record = read_json(path)
    write_json(record | {"fitted": False, "reason": "two lots only"}, path)
    with pytest.raises(KeepError, match="no model of the char yield to keep: two lots only"):
        keep_priors(screen)


def test_every_old_file_of_priors_is_kept(screen):
    keep_priors(screen)
    for number in (1, 2):
        (screen / "config" / "priors.yaml").write_text("char_yield: {}\n")
        done = keep_priors(screen, replace=True)
        assert done[0] == f"The old priors are kept as history/priors_{number}.yaml."
    assert (screen / "history" / "priors_1.yaml").read_text() == "char_yield: {}\n"
