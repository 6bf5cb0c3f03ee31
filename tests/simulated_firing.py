"""A simulated screen goes on by one firing: proposed, or random at the same cost."""

import numpy as np
import pandas as pd
from capacitance_model import fit_capacitance_model
from charscreen.mixed import fit_mixed
from charscreen.models.covariates import term_columns
from charscreen.models.observations import observation_rows
from charscreen.models.tables import natural, predict_draws
from charscreen.propose.feasible import feasible_lots
from charscreen.propose.knowledge import model_rows
from charscreen.propose.search import Search, Stakes
from charscreen.rank.candidates import list_candidates
from simulated_screen import SimulatedScreen, predictors, simulate_screen

SMALL = {"n_feedstocks": 8, "n_firings": 6, "lots_per_firing": 4, "cells_per_lot": 2}
DEMO = {"n_feedstocks": 12, "n_firings": 12, "lots_per_firing": 6, "cells_per_lot": 2}
SCATTER = {"firing": 0.10, "second": 0.05, "lot": 0.08, "cell": 0.10}
MERIT = "electrode_F_per_g"
DRAWS = 1000
KEPT = ["feedstock", "activation", "koh_ratio", "hold_min"]
KEPT += ["activation_temperature_C", "activation_hold_min"]


def capacitance_of(
    screen: SimulatedScreen, cells: pd.DataFrame, model: dict
) -> tuple[dict, pd.DataFrame]:
    """The model of a screen fitted to more cells with the same terms: record and draws."""
    rows = observation_rows(cells, screen.design, screen.firings, value=MERIT, identity="cell")
    data = rows.assign(y=np.log(rows["value"]))
    columns = term_columns(rows, model["covariates"], model["terms"])
    data[list(columns)] = columns
    names = [term["name"] for term in model["pooled"]]
    fit = fit_mixed(model["formula"], data, random=[*names, *model["random"]])
    posterior = fit.posterior(n=DRAWS, seed=1)
    table = {f"b[{name}]": posterior.fixed[name] for name in posterior.fixed}
    pooled = []
    for name in names:
        effects = posterior.random[name]
        table |= {f"u[{name}|{level}]": effects[level] for level in effects}
        centre = float(fit.centres[name]) if "|" in name else 0.0
        scale = float(fit.scales[name]) if "|" in name else 1.0
        pooled.append({"name": name, "levels": list(effects), "centre": centre, "scale": scale})
    table |= {f"v[{name}]": posterior.variance[name] for name in posterior.variance}
    draws = pd.DataFrame({name: np.asarray(v, float) for name, v in table.items()})
    return model | {"pooled": pooled}, draws


def new_cells(
    screen: SimulatedScreen, lots: pd.DataFrame, *, rng: np.random.Generator, cells_per_lot: int
) -> pd.DataFrame:
    """Cells of one more firing, drawn from the truth; the same generator gives the same scatter."""
    firing, second = rng.normal(0, SCATTER["firing"]), rng.normal(0, SCATTER["second"])
    off = rng.normal(0, 4)
    rows = []
    for k, lot in enumerate(lots.to_dict("records")):
        on = lot["activation"] == "KOH"
        peak = lot["peak_temperature_C"] + off
        log_f = predictors(screen.effects, lot["feedstock"], on, peak, lot["hold_min"])[0]
        log_f += firing + second * on + rng.normal(0, SCATTER["lot"])
        for c, noise in enumerate(rng.normal(0, SCATTER["cell"], cells_per_lot)):
            rows.append(
                {
                    **{name: lot[name] for name in KEPT},
                    "cell": f"N{k}-{c}",
                    "run": f"N{k}",
                    "lot": f"N{k}",
                    "firing": "CN",
                    "activation_firing": "AN" if on else None,
                    "peak_temperature_C": peak,
                    MERIT: float(np.exp(log_f + noise)),
                }
            )
    return pd.DataFrame(rows)


def compare_firings(seed: int, *, shape: dict, pairs: int = 1) -> dict:
    """Loss of the choice now, after the proposed firing and after a random one. [% of the best]"""
    screen = simulate_screen(seed, **shape)
    settings = {"draws": DRAWS, "prior_scale": 1.0, "seed": seed, "interval_percent": 90}
    fitted = fit_capacitance_model(screen.cells, screen.design, screen.firings, settings=settings)
    candidates = list_candidates(screen.design, screen.firings, screen.yields, screen.cells)
    search = search_of(screen, fitted, candidates, shape=shape, seed=seed)
    proposed = search.firings()[0]
    lots = proposed.firings[0]
    truth = screen.true_values(candidates)[MERIT].to_numpy()

    def loss(model: dict, draws: pd.DataFrame) -> float:
        values = natural(model, predict_draws(model, draws, candidates))
        return float(100 * (1 - truth[values.mean(axis=0).argmax()] / truth.max()))

    record = {"seed": seed, "loss_now": loss(fitted.model, fitted.draws)}
    losses = {"proposed": [], "random": []}
    stated = []
    rng = np.random.default_rng([seed, 1])
    for pair in range(pairs):
        other = random_firing(search.lots, lots, rng)
        stated.append(search.gain_of(other)[0])
        for name, chosen in (("proposed", lots), ("random", other)):
            more = new_cells(
                screen,
                chosen,
                rng=np.random.default_rng([seed, 2, pair]),
                cells_per_lot=shape["cells_per_lot"],
            )
            cells = pd.concat([screen.cells, more], ignore_index=True)
            losses[name].append(loss(*capacitance_of(screen, cells, fitted.model)))
    record |= {f"loss_{name}": float(np.mean(values)) for name, values in losses.items()}
    record["gain_stated"] = 100 * proposed.gain / truth.max()
    record["gain_random_stated"] = 100 * float(np.mean(stated)) / truth.max()
    return record


def stakes_of(screen, fitted, candidates) -> Stakes:
    """The choice by electrode capacitance of a simulated screen."""
    rows = model_rows(
        fitted.model,
        fitted.residuals,
        cells=screen.cells,
        yields=screen.yields,
        design=screen.design,
        firings=screen.firings,
    )

    def merit_of(single):
        return values_of(single["capacitance"])[0]

    def values_of(draws):
        return natural(fitted.model, predict_draws(fitted.model, draws, candidates))

    return Stakes(
        merit=MERIT,
        unit="F/g",
        candidates=candidates,
        values=values_of(fitted.draws),
        sign=1.0,
        merit_of=merit_of,
        models={"capacitance": fitted.model},
        draws={"capacitance": fitted.draws},
        rows={"capacitance": rows},
    )


def search_of(screen, fitted, candidates, *, shape: dict, seed: int) -> Search:
    """The search for the next firing of a simulated screen, with all feedstocks in stock."""
    stakes = stakes_of(screen, fitted, candidates)
    possible = feasible_lots(
        screen.design,
        [{"feedstock": name} for name in screen.effects["index"]],
        stakes.used,
        crucibles=shape["lots_per_firing"],
        step_C=50.0,
        max_temperature_C=None,
    )
    return Search(
        stakes,
        possible.lots.assign(feed_ar_g=0.0),
        places=shape["lots_per_firing"],
        reference=None,
        cells_per_lot=shape["cells_per_lot"],
        stock_kg={},
        seed=seed,
    )


def random_firing(lots: pd.DataFrame, like: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """A firing at a random condition, with as many lots and KOH lots as another."""
    conditions = lots[["peak_temperature_C", "hold_min"]].drop_duplicates().to_numpy()
    peak, hold = conditions[rng.integers(len(conditions))]
    here = lots[(lots["peak_temperature_C"] == peak) & (lots["hold_min"] == hold)]
    picked = []
    for activation, group in like.groupby("activation"):
        own = here[here["activation"] == activation]
        picked.append(own.iloc[rng.choice(len(own), len(group), replace=len(group) > len(own))])
    return pd.concat(picked, ignore_index=True)
