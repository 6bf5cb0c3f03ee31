"""Invented small screens with known truth, for coverage and calibration of the mixed models."""

import numpy as np
import pandas as pd
from charscreen.mixed import fit_mixed

# Standard deviations of firing, lot and cell; the share of lots that are lost.
ARRANGEMENTS = {
    "6 firings x 4, firing as large as lot": {"firing_sd": 0.1, "lot_sd": 0.1},
    "6 firings x 4, firing twice the lot": {"firing_sd": 0.2, "lot_sd": 0.1},
    "6 firings x 4, no firing scatter": {"firing_sd": 0.0, "lot_sd": 0.1},
    "6 firings x 4, no lot scatter": {"firing_sd": 0.1, "lot_sd": 0.0},
    "6 firings x 4, a fifth of the lots lost": {"firing_sd": 0.1, "lot_sd": 0.1, "lost": 0.2},
    "6 x 4, no firing scatter, a fifth lost": {"firing_sd": 0.0, "lot_sd": 0.1, "lost": 0.2},
}


def small_screen(
    seed: int,
    *,
    firing_sd: float,
    lot_sd: float,
    lost: float = 0.0,
    firings: int = 6,
    crucibles: int = 4,
    wanted: str = "x",
) -> tuple[pd.DataFrame, str, float]:
    """Two cells per lot, four feedstocks, x a factor of the firing; and the wanted truth."""
    rng = np.random.default_rng(seed)
    effects = {"a": 0.0, "b": 0.3, "c": -0.2, "d": 0.1}
    rows = []
    for i in range(firings):
        firing, x = rng.normal(0, firing_sd), (i % 3) - 1.0
        for j, feed in enumerate(rng.permutation(list(effects))[:crucibles]):
            lot = rng.normal(0, lot_sd)
            if rng.random() < lost:
                continue
            for _ in range(2):
                y = 1.0 + effects[feed] + 0.2 * x + firing + lot + rng.normal(0, 0.1)
                rows.append({"y": y, "feed": feed, "x": x, "firing": f"C{i}", "lot": f"C{i}L{j}"})
    return pd.DataFrame(rows), wanted, {"x": 0.2, "feed[T.b]": effects["b"]}[wanted]


def calibration_ranks(sets: int, *, draws: int, seed: int = 11) -> dict[str, np.ndarray]:
    """Ranks of the truth among draws, ratios drawn from their prior, effects and sigma fixed."""
    rng = np.random.default_rng(seed)
    base = small_screen(1, firing_sd=0.1, lot_sd=0.1)[0]
    firing, firings = pd.factorize(base["firing"])
    lot, lots = pd.factorize(base["lot"])
    ranks: dict[str, list[float]] = {
        "firing factor": [],
        "feedstock b against a": [],
        "difference of two firings": [],
        "difference of two lots": [],
        "firing over residual": [],
    }
    fixed = 1.0 + 0.2 * base["x"] + 0.3 * (base["feed"] == "b")
    for k in range(sets):
        ratio = np.abs(rng.standard_t(3, size=2))
        u = ratio[0] * rng.normal(size=len(firings))
        v = ratio[1] * rng.normal(size=len(lots))
        data = base.assign(y=fixed + u[firing] + v[lot] + rng.normal(size=len(base)))
        found = fit_mixed("y ~ feed + x", data, ["firing", "lot"]).posterior(draws, seed=k)
        of_firing, of_lot = found.random["firing"], found.random["lot"]
        of_ratio = np.sqrt(found.variance["firing"] / found.variance["residual"])
        below = {
            "firing factor": found.fixed["x"] < 0.2,
            "feedstock b against a": found.fixed["feed[T.b]"] < 0.3,
            "difference of two firings": of_firing.iloc[:, 0] - of_firing.iloc[:, 1] < u[0] - u[1],
            "difference of two lots": of_lot.iloc[:, 0] - of_lot.iloc[:, 5] < v[0] - v[5],
            "firing over residual": of_ratio < ratio[0],
        }
        for name, values in below.items():
            ranks[name].append(float(np.mean(values)))
    return {name: np.array(values) for name, values in ranks.items()}
