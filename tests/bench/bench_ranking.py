"""Prints calibration, coverage and loss of the ranking on many screens of known truth.

    sh scripts/with_env.sh python tests/bench/bench_ranking.py [SCREENS] [FIRST_SEED] [--same]

Screens of the demo's shape (12 feedstocks, 12 firings of 6 lots, 2 cells; 10 % firing, 8 % lot,
10 % cell), all invented. Printed for each merit, with standard errors over screens, since the
candidates of one screen share its firings and models:

- coverage of the intervals (nominal 90 %);
- slope of a logistic regression of "was the best" on the logit of p_best (1 where p_best means
  what it says; below 1 where it is too sure);
- loss of the choice, in percent of the true best, beside that of sorting raw means by treatment,
  and by feedstock (then its best treatment), over the same candidates.

The effects of temperature and hold that all feedstocks share are drawn anew for each screen; with
`--same` they are the same in all. Then the chances must not be taken at their
word: where two conditions are truly alike, which of them is ahead by a hair is one and the same
in all screens, and no data show it.

Model checks and alternatives are left out: they cost more than the fits and change no draw.
"""

import argparse
import sys
import time
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
from scipy.special import expit, logit

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "scripts"), str(ROOT / "tests")]

from capacitance_model import fit_capacitance_model  # noqa: E402
from charscreen.models import fit as model_fit  # noqa: E402
from charscreen.models.device import fit_device_model  # noqa: E402
from charscreen.models.tables import empty_table  # noqa: E402
from charscreen.models.yields import fit_yield_models  # noqa: E402
from charscreen.rank import rank_candidates  # noqa: E402
from charscreen.rank.candidates import list_candidates  # noqa: E402
from simulated_screen import simulate_screen  # noqa: E402

MERITS = ("electrode_F_per_g", "device_F_per_kg_d")
DRAWS = 4000
LEAST_SCREENS = 10  # of fewer, chances may part best from others fully: the slope has no end


def fit_for_decisions(screen, seed: int) -> dict:
    """The models a ranking needs, without checks and alternatives."""
    settings = {"draws": DRAWS, "prior_scale": 1.0, "seed": seed, "interval_percent": 90}
    with (
        mock.patch.object(model_fit, "_add_checks"),
        mock.patch.object(
            model_fit, "compare_alternatives", return_value=empty_table("alternatives")
        ),
    ):
        models = fit_yield_models(screen.yields, screen.design, screen.firings, settings=settings)
        models["capacitance"] = fit_capacitance_model(
            screen.cells, screen.design, screen.firings, settings=settings
        )
        step = (screen.yields["yield_activated_percent"] / 100).fillna(1.0)
        carbon = 10 * screen.yields["yield_char_d_percent"] * step
        models["device_farads"] = fit_device_model(
            screen.yields.assign(carbon_g_per_kg_d=carbon),
            screen.cells.assign(cell_F_per_g=screen.cells["electrode_F_per_g"] / 4),
            screen.design,
            screen.firings,
            settings=settings,
        )
    return models


def one_screen(seed: int, *, draw_conditions: bool = True) -> list[dict]:
    """Coverage, loss and calibration of one screen, one row per merit."""
    screen = simulate_screen(seed, draw_conditions=draw_conditions)
    start = time.perf_counter()
    models = fit_for_decisions(screen, seed)
    seconds = time.perf_counter() - start
    candidates = list_candidates(screen.design, screen.firings, screen.yields, screen.cells)
    ranking, *_ = rank_candidates(
        candidates,
        {name: m.model for name, m in models.items()},
        {name: m.draws for name, m in models.items()},
        merits=MERITS,
        seed=seed,
    )
    rows = []
    for merit, table in ranking.groupby("merit", sort=False):
        table = table.reset_index(drop=True)
        truth = true_merit(screen, table, merit)
        inside = (table["estimate_lo"] <= truth) & (truth <= table["estimate_hi"])
        best = truth.max()
        raw = raw_choice(screen, table, merit)
        rows.append(
            {
                "merit": merit,
                "coverage": inside.mean(),
                "loss": 100 * (1 - truth[0] / best),
                "loss_treatment_means": 100 * (1 - truth[raw[0]] / best),
                "loss_feedstock_means": 100 * (1 - truth[raw[1]] / best),
                "stated_loss": 100 * table["expected_loss"][0] / table["estimate"][0],
                "p_best": table["p_best"][0],
                "was_best": float(truth[0] == best),
                "best_in_group": float(table["group"][truth.argmax()] != ""),
                "p_best_of_all": table["p_best"].to_numpy(),
                "best_of_all": truth == best,
                "group_size": (table["group"] != "").sum(),
                "seconds": seconds,
                "pareto_k": max(m.model["posterior"]["pareto_k"] for m in models.values()),
                "effective": min(m.model["posterior"]["effective_size"] for m in models.values()),
            }
        )
    return rows


def true_merit(screen, table: pd.DataFrame, merit: str) -> np.ndarray:
    """True value of each candidate of a ranking."""
    true = screen.true_values(table)
    if merit == "electrode_F_per_g":
        return true["electrode_F_per_g"].to_numpy()
    step = np.where(table["activation"] == "KOH", true["yield_activated_percent"] / 100, 1.0)
    carbon = 10 * true["yield_char_d_percent"].to_numpy() * step
    return true["electrode_F_per_g"].to_numpy() / 4 * carbon


def raw_choice(screen, table: pd.DataFrame, merit: str) -> tuple[int, int]:
    """Which candidate sorting raw means would choose: by treatment, and by feedstock first."""
    cells = screen.cells.copy()
    lots = screen.yields.set_index("run")
    step = (lots["yield_activated_percent"] / 100).fillna(1.0)
    cells["carbon"] = cells["run"].map(10 * lots["yield_char_d_percent"] * step)
    cells["value"] = cells["electrode_F_per_g"]
    if merit != "electrode_F_per_g":
        cells["value"] = cells["value"] / 4 * cells["carbon"]
    keys = ["feedstock", "activation", "peak_temperature_C", "hold_min"]
    mean = table.merge(cells.groupby(keys)["value"].mean().reset_index(), on=keys, how="left")
    by_feedstock = cells.groupby("feedstock")["value"].mean()
    own = (mean["feedstock"] == by_feedstock.idxmax()).to_numpy()
    value = mean["value"].to_numpy()
    return int(np.argmax(value)), int(np.argmax(np.where(own, value, -np.inf)))


def calibration_slope(chances: list[np.ndarray], best: list[np.ndarray]) -> tuple[float, float]:
    """Slope of "was the best" on logit p_best, and its standard error clustered by screen.

    Maximum likelihood by Newton's method; sandwich covariance with one score per screen.
    Chances of zero or one count as half a draw.
    """
    clipped = [logit(np.clip(p, 0.5 / DRAWS, 1 - 0.5 / DRAWS)) for p in chances]
    designs = [np.column_stack([np.ones_like(x), x]) for x in clipped]
    X, y = np.vstack(designs), np.concatenate(best).astype(float)
    beta = np.array([0.0, 1.0])
    for _ in range(50):
        fitted = expit(X @ beta)
        information = (X * (fitted * (1 - fitted))[:, None]).T @ X
        step = np.linalg.solve(information, X.T @ (y - fitted))
        beta += step
        if np.abs(step).max() < 1e-10:
            break
    scores = np.array([x.T @ (b - expit(x @ beta)) for x, b in zip(designs, best, strict=True)])
    inverse = np.linalg.inv(information)
    return float(beta[1]), float(np.sqrt((inverse @ scores.T @ scores @ inverse)[1, 1]))


def loss_saved(group: pd.DataFrame) -> tuple[float, float]:
    """Loss saved against the better baseline [%], and its standard error over screens."""
    baselines = group[["loss_treatment_means", "loss_feedstock_means"]]
    better = baselines.mean().idxmin()
    pairs = group[["loss", better]].to_numpy()
    rng = np.random.default_rng(0)
    means = np.array(
        [pairs[rng.integers(0, len(pairs), len(pairs))].mean(axis=0) for _ in range(2000)]
    )
    return (
        100 * (1 - pairs[:, 0].mean() / pairs[:, 1].mean()),
        float(np.std(100 * (1 - means[:, 0] / means[:, 1]))),
    )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "screens", type=int, nargs="?", default=50, help=f"{LEAST_SCREENS} or more (50)"
    )
    parser.add_argument("first_seed", type=int, nargs="?", default=1000)
    parser.add_argument("--same", action="store_true", help="one effect of conditions in all")
    given = parser.parse_args()
    if given.screens < LEAST_SCREENS:
        parser.error(f"{given.screens} screens are too few for the slope: {LEAST_SCREENS} or more.")
    n_screens, first, same = given.screens, given.first_seed, given.same
    seeds = range(first, first + n_screens)
    rows = [row for seed in seeds for row in one_screen(seed, draw_conditions=not same)]
    table = pd.DataFrame(rows)
    print(f"{n_screens} screens, seeds from {first}; mean (standard error over screens)")
    lists = ["p_best_of_all", "best_of_all"]
    for merit, group in table.groupby("merit", sort=False):
        print(merit)
        for name in group.columns.drop(["merit", *lists]):
            values = group[name]
            print(f"  {name:24s}{values.mean():9.3f} ({values.sem():.3f})")
        slope, se = calibration_slope(*(group[name].tolist() for name in lists))
        print(f"  {'calibration slope':24s}{slope:9.3f} ({se:.3f})")
        saved, se = loss_saved(group)
        print(f"  {'loss saved [%]':24s}{saved:9.1f} ({se:.1f})")
    k = table["pareto_k"]
    print(f"screens with Pareto k above 0.7: {100 * (k > 0.7).mean():.0f} %")


if __name__ == "__main__":
    main()
