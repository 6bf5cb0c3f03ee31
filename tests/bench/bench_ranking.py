"""Prints how often the truth lies in the intervals, and what the choice loses, on many screens.

    sh scripts/with_env.sh python tests/bench/bench_ranking.py [screens] [first seed]

Screens of known truth (12 feedstocks, 12 firings of 6 lots, 2 cells; 10 % firing, 8 % lot, 10 %
cell), all invented. Intervals of one screen share its firings, so the screen is the unit of the
standard errors.
"""

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "scripts"), str(ROOT / "tests")]

from charscreen.models.performance import fit_capacitance_model  # noqa: E402
from charscreen.models.yields import fit_yield_models  # noqa: E402
from charscreen.rank import rank_candidates  # noqa: E402
from charscreen.rank.candidates import list_candidates  # noqa: E402
from simulated_screen import simulate_screen  # noqa: E402

MERITS = ("electrode_F_per_g", "device_F_per_kg_d")


def one_screen(seed: int) -> list[dict]:
    """Coverage, loss and calibration of one screen, one row per merit."""
    screen = simulate_screen(seed)
    settings = {"draws": 4000, "prior_scale": 1.0, "seed": seed, "interval_percent": 90}
    start = time.perf_counter()
    models = fit_yield_models(screen.yields, screen.design, screen.firings, settings=settings)
    models["capacitance"] = fit_capacitance_model(
        screen.cells, screen.design, screen.firings, settings=settings
    )
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


def main(n_screens: int = 50, first: int = 1000) -> None:
    """Run and print."""
    rows = [row for seed in range(first, first + n_screens) for row in one_screen(seed)]
    table = pd.DataFrame(rows)
    print(f"{n_screens} screens, seeds from {first}; mean (standard error over screens)")
    for merit, group in table.groupby("merit", sort=False):
        print(merit)
        for name in group.columns.drop("merit"):
            values = group[name]
            print(f"  {name:24s}{values.mean():9.3f} ({values.sem():.3f})")
    k = table["pareto_k"]
    print(f"screens with Pareto k above 0.7: {100 * (k > 0.7).mean():.0f} %")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:3]))
