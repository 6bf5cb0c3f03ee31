"""Prints how predicted best conditions compare with the known truth of simulated screens.

    sh scripts/with_env.sh python tests/bench/bench_predicted.py [SCREENS] [FIRST_SEED]

For predicted candidates, for all tested ones and for the best tested one of each feedstock: the
share of 90 % intervals that hold the truth, and the mean of estimate over truth.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "scripts"), str(ROOT / "tests")]

from capacitance_model import fit_capacitance_model  # noqa: E402
from charscreen.rank import rank_candidates  # noqa: E402
from charscreen.rank.candidates import list_candidates  # noqa: E402
from simulated_screen import simulate_screen  # noqa: E402

MERIT = "electrode_F_per_g"
KINDS = ("predicted", "tested", "best tested of its feedstock")


def compare(seed: int) -> dict[str, tuple[float, float, int]]:
    """Per kind of candidate of one screen: share inside, mean log of estimate over truth, count."""
    screen = simulate_screen(seed)
    model = fit_capacitance_model(
        screen.cells, screen.design, screen.firings, settings={"draws": 2000, "seed": seed}
    )
    tested = list_candidates(
        screen.design, screen.firings, yields=screen.yields, cells=screen.cells
    )
    ranked = rank_candidates(
        tested,
        {"capacitance": model.model},
        {"capacitance": model.draws},
        merits=[MERIT],
        predicted_best=True,
        seed=seed,
    )
    table = ranked.table[ranked.table["merit"] == MERIT].reset_index(drop=True)
    truth = screen.true_values(table)[MERIT].to_numpy()
    inside = (table["estimate_lo"] <= truth) & (truth <= table["estimate_hi"])
    error = np.log(table["estimate"] / truth)
    made = table["n_lots"] > 0
    best = table.index.isin(table[made].groupby("feedstock").head(1).index)
    rows = dict(zip(KINDS, (~made, made, best), strict=True))
    return {
        kind: (float(inside[use].mean()), float(error[use].mean()), int(use.sum()))
        for kind, use in rows.items()
        if use.any()
    }


def main() -> None:
    """Print one line per kind; errors over screens, since candidates of one hang together."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("screens", type=int, nargs="?", default=20)
    parser.add_argument("first_seed", type=int, nargs="?", default=100)
    given = parser.parse_args()
    screens, first = given.screens, given.first_seed
    found = [compare(seed) for seed in range(first, first + screens)]
    print(f"{screens} screens; 90 % intervals; estimate over truth with its standard error")
    for kind in KINDS:
        rows = np.array([screen[kind] for screen in found if kind in screen])
        bias = 100 * rows[:, 1]
        error = bias.std(ddof=1) / np.sqrt(len(rows)) if len(rows) > 1 else np.nan
        share = 100 * np.average(rows[:, 0], weights=rows[:, 2])
        print(
            f"{kind:30s} {int(rows[:, 2].sum()):5d} candidates, inside {share:5.1f} %, "
            f"{bias.mean():+5.1f} % ({error:.1f})"
        )


if __name__ == "__main__":
    main()
