"""Keeping the yields and the scatter of a fit as config/priors.yaml."""

import os
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from charscreen.files import read_csv, read_json, write_text
from charscreen.findings import UserError, render
from charscreen.graph import model_files
from charscreen.models.tables import natural, not_covered, predict_draws, read_draws
from charscreen.priors import ACTIVATION_YIELD, CHAR_YIELD, FILE, MODELS
from charscreen.screen.config import load_config

_HEAD = """\
# Yields and scatter kept from a fit of this screen by keep_priors; the plan takes these expected
# yields before those of feedstocks and settings. mean_percent: mean for a new lot in a new
# firing, in % of dry feed (char_yield) or of char taken (activation_yield). spread_percent: its
# relative standard deviation, firing, lot and what the fit leaves open taken together.
# scatter: standard deviations on the scale of the model, between feedstocks and of their slopes
# (per 100 °C) too; the plan is judged under those of capacitance where its settings state none.
# Delete the file to plan without it.
"""


class KeepError(UserError):
    """Priors that are not kept; the text is ready to print, nothing was written."""


def keep_priors(folder: str | os.PathLike, *, replace: bool = False) -> list[str]:
    """Write config/priors.yaml from the fits of a screen.

    Parameters
    ----------
    folder : path-like
        The screen's folder.
    replace : bool
        Also over a file that is there and says something else; the old one goes to ``history/``.

    Returns
    -------
    list of str
        What was done, in lines to print.

    Raises
    ------
    KeepError
        Where there is no fit, no yield model in it, or a file in the way.
    """
    folder = Path(folder)
    models, draws, firings = _read_fits(folder)
    if not models[CHAR_YIELD].get("fitted"):
        reason = models[CHAR_YIELD].get("reason", "it was not fitted")
        raise KeepError(f"There is no model of the char yield to keep: {reason}.")
    text = render_priors(models, draws, firings)
    path = folder / "config" / FILE
    done = []
    try:
        if path.exists():
            old = path.read_text(encoding="utf-8", errors="replace")
            if old == text:
                return [f"config/{FILE} holds these priors already; nothing was written."]
            if not replace:
                raise KeepError(
                    f"config/{FILE} is there and says something else; nothing was written. To "
                    "take these over all the same, add --replace; the old file is then kept in "
                    "history/."
                )
            number = 1
            while (kept := folder / "history" / f"priors_{number}.yaml").exists():
                number += 1
            write_text(kept, old)
            done.append(f"The old priors are kept as history/{kept.name}.")
        write_text(path, text)
    except OSError as error:
        raise KeepError(
            f"{error.filename or path} cannot be written ({error.strerror or error})."
        ) from None
    n = text.count("- {feedstock:")
    done.append(f"config/{FILE} now holds {n} expected yields; the next plan takes them.")
    return done


def _read_fits(folder: Path) -> tuple[dict, dict, pd.DataFrame]:
    config_path = folder / "config" / "config.yaml"
    if not config_path.is_file():
        raise KeepError(
            f"{folder} is no screen: it has no config/config.yaml. Name the folder of a screen."
        )
    config, findings = load_config(config_path)
    if findings:
        raise KeepError(render(findings, str(folder / "config")))
    results = folder / config["results"]
    again = "Make it with: sh scripts/with_env.sh snakemake fit"
    if folder.resolve() != Path.cwd().resolve():
        again += f" --directory {folder}"
    models, draws = {}, {}
    for name in MODELS:
        files = model_files(str(results / "fit"), name)
        for path in (files[f"{name}_model"], files[f"{name}_draws"]):
            if not Path(path).is_file():
                raise KeepError(f"There is no fit yet ({path} is absent). {again}")
        models[name] = read_json(files[f"{name}_model"])
        draws[name] = read_draws(files[f"{name}_draws"])
    firings = results / "collect" / "firings.csv"
    if not firings.is_file():
        raise KeepError(f"There is no fit yet ({firings} is absent). {again}")
    return models, draws, read_csv(firings)


def render_priors(
    models: Mapping[str, Mapping], draws: Mapping[str, pd.DataFrame], firings: pd.DataFrame
) -> str:
    """Text of priors.yaml.

    Parameters
    ----------
    models, draws : mapping
        Record and posterior draws of each model.
    firings : DataFrame
        Table of firings as done; the conditions of its char firings are those kept.

    Notes
    -----
    Yield of a new lot in a new firing: linear predictor drawn from the posterior plus normal
    effects of firing, lot and the other levels of the experiment with the variances of the same
    draw; mean and standard deviation over the draws on the natural scale.
    """
    lines = [_HEAD]
    for name in MODELS:
        model = models[name]
        if not model.get("fitted"):
            continue
        levels = [*model["random"], "residual"]
        sds = {
            level: float(np.sqrt(np.median(draws[name][f"v[{level}]"])))
            for level in levels
            if f"v[{level}]" in draws[name]
        }
        kept = sds | _between_feedstocks(model, draws[name])
        scatter = ", ".join(f"{_key(level)}: {sd:.4g}" for level, sd in kept.items())
        lines += [
            f"{name}:\n  scale: {model['scale']}\n  lots: {model['n_lots']}\n"
            f"  firings: {model['n_firings']}\n  scatter: {{{scatter}}}\n"
        ]
        if name not in (CHAR_YIELD, ACTIVATION_YIELD):
            continue
        table = expected_yields(model, draws[name], conditions_of(firings))
        lines.append("  expected:\n")
        lines += [
            f"    - {{feedstock: {row['feedstock']}, peak_temperature_C: "
            f"{row['peak_temperature_C']:g}, hold_min: {row['hold_min']:g}, "
            f"mean_percent: {row['mean_percent']:.4g}, "
            f"spread_percent: {row['spread_percent']:.3g}}}\n"
            for row in table.to_dict("records")
        ]
    return "".join(lines)


def _between_feedstocks(model: Mapping, draws: pd.DataFrame) -> dict[str, float]:
    """Standard deviations of what differs between feedstocks, slopes per 100 °C."""
    return {
        term["name"]: float(np.sqrt(np.median(draws[f"v[{term['name']}]"]))) / term["scale"]
        for term in model["pooled"]
        if f"v[{term['name']}]" in draws
    }


def _key(level: str) -> str:
    """A level as a key in YAML; those with marks in quotation marks."""
    return level if level.isidentifier() else f'"{level}"'


def conditions_of(firings: pd.DataFrame) -> list[tuple[float, float]]:
    """Peak [°C] and hold [min] that the char firings were planned for, each once, sorted."""
    char = firings[firings["kind"] == "carbonise"]
    pairs = set()
    for row in char.to_dict("records"):
        pair = []
        for name in ("peak_temperature_C", "hold_min"):
            wanted = row[f"planned_{name}"]
            pair.append(row[name] if pd.isna(wanted) else wanted)
        if not any(pd.isna(value) for value in pair):
            pairs.add((float(pair[0]), float(pair[1])))
    return sorted(pairs)


def expected_yields(
    model: Mapping, draws: pd.DataFrame, conditions: list[tuple[float, float]]
) -> pd.DataFrame:
    """Yield of a new lot in a new firing, of every feedstock at each condition the model covers.

    Parameters
    ----------
    model : mapping
        Record of the model of the char yield or of the activation yield.
    draws : DataFrame
        Its posterior draws.
    conditions : list of (float, float)
        Peak temperature and hold of the char firing. [°C, min]

    Returns
    -------
    DataFrame
        feedstock, activation, peak_temperature_C, hold_min, mean_percent, spread_percent
        (relative standard deviation). [°C, min, %, %]
    """
    levels = [name for name in (*model["random"], "residual") if f"v[{name}]" in draws]
    activation = "KOH" if model["name"] == ACTIVATION_YIELD else "none"
    table = pd.DataFrame(
        [
            {
                "feedstock": feedstock,
                "activation": activation,
                "peak_temperature_C": peak,
                "hold_min": hold,
            }
            for feedstock in model["feedstocks"]
            for peak, hold in conditions
        ]
    )
    if table.empty:
        return table
    # Conditions of the activation that are not named here stand for those of the screen.
    table = table[[not reason for reason in not_covered(model, table)]].reset_index(drop=True)
    if table.empty:
        return table
    seed = int(model["posterior"]["seed"])
    eta = predict_draws(model, draws, table, seed=seed)
    variance = sum(np.asarray(draws[f"v[{level}]"], dtype=float) for level in levels)
    rng = np.random.default_rng(seed)
    eta = eta + np.sqrt(variance)[:, None] * rng.standard_normal(eta.shape)
    values = natural(model, eta)
    table["mean_percent"] = values.mean(axis=0)
    table["spread_percent"] = 100.0 * values.std(axis=0, ddof=1) / table["mean_percent"]
    return table
