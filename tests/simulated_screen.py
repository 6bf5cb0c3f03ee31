"""A small screen with known truth, for tests of models and ranking; all values invented."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

CONDITIONS = {
    "f_t": 0.08,
    "f_tt": -0.05,
    "f_h": 0.03,
    "char_t": -0.12,
    "char_h": -0.04,
    "step_t": -0.05,
}
"""Effects of a condition that all feedstocks share: of temperature per 100 °C, squared, of hold per
doubling, on log F/g and on the logits of both yields."""
CONDITIONS_SD = 0.10
TEMPERATURES_C = (600.0, 700.0, 800.0)
HOLDS_MIN = (30.0, 60.0)


@dataclass
class SimulatedScreen:
    """Tables of a screen, and the truth behind them.

    `truth` has one row per feedstock, condition and activation: the median electrode
    capacitance [F/g], char yield [%] and activation yield [%] over firings and lots.
    """

    design: pd.DataFrame
    firings: pd.DataFrame
    yields: pd.DataFrame
    cells: pd.DataFrame
    effects: dict

    def true_values(self, candidates: pd.DataFrame) -> pd.DataFrame:
        """Electrode F/g, char yield and activation yield of candidates."""
        e = self.effects
        rows = []
        for c in candidates.to_dict("records"):
            log_f, logit_char, logit_step = predictors(
                e,
                c["feedstock"],
                c["activation"] != "none",
                c["peak_temperature_C"],
                c["hold_min"],
            )
            rows.append(
                {
                    "electrode_F_per_g": np.exp(log_f),
                    "yield_char_d_percent": 100 / (1 + np.exp(-logit_char)),
                    "yield_activated_percent": 100 / (1 + np.exp(-logit_step)),
                }
            )
        return pd.DataFrame(rows)


def predictors(e, feedstock, activated, temperature, hold):
    """log F/g, logit char yield, logit activation yield at a condition."""
    t, h = (temperature - 700) / 100, np.log2(hold / 60)
    k, c = e["index"][feedstock], e["conditions"]
    log_f = (
        e["mean_log_f"]
        + e["feedstock"][k]
        + (c["f_t"] + e["slope"][k]) * t
        + c["f_tt"] * t**2
        + c["f_h"] * h
        + (0.35 + e["gain"][k]) * activated
        + 0.02 * t * activated
    )
    char = -0.85 + e["char"][k] + c["char_t"] * t + c["char_h"] * h
    step = -1.3 + e["step"][k] + c["step_t"] * t
    return log_f, char, step


def simulate_screen(
    seed: int,
    *,
    n_feedstocks: int = 12,
    n_firings: int = 12,
    lots_per_firing: int = 6,
    cells_per_lot: int = 2,
    firing_sd: float = 0.10,
    lot_sd: float = 0.08,
    cell_sd: float = 0.10,
    activated_share: float = 0.5,
    draw_conditions: bool = False,
) -> SimulatedScreen:
    """A screen of feedstocks over firings, with firing, lot and cell scatter on the log scale.

    Each firing has one temperature and hold; feedstocks go round the firings, part of the lots
    are activated, in activation firings of six lots. The effects of the condition that all
    feedstocks share are `CONDITIONS`, or drawn about them for each screen: one and the same truth
    in all screens would ask of the chances to be right about it, not about screens.
    """
    rng = np.random.default_rng(seed)
    shift = np.random.default_rng([seed, 1]).normal(0, CONDITIONS_SD, len(CONDITIONS))
    shared = {
        name: value + (by if draw_conditions else 0.0)
        for (name, value), by in zip(CONDITIONS.items(), shift, strict=True)
    }
    names = [f"f{k:02d}" for k in range(n_feedstocks)]
    effects = {
        "index": {name: k for k, name in enumerate(names)},
        "conditions": shared,
        "mean_log_f": np.log(120.0),
        "feedstock": rng.normal(0, 0.20, n_feedstocks),
        "slope": rng.normal(0, 0.04, n_feedstocks),
        "gain": rng.normal(0, 0.08, n_feedstocks),
        "char": rng.normal(0, 0.15, n_feedstocks),
        "step": rng.normal(0, 0.15, n_feedstocks),
    }
    conditions = [(t, h) for t in TEMPERATURES_C for h in HOLDS_MIN]
    order = rng.permutation(n_firings)
    lots = []
    queue: list[str] = []
    for firing in range(n_firings):
        temperature, hold = conditions[order[firing] % len(conditions)]
        for crucible in range(lots_per_firing):
            if not queue:
                queue = list(rng.permutation(names))
            lots.append(
                {
                    "run": f"R{firing + 1:02d}{crucible + 1}",
                    "role": "screen",
                    "feedstock": queue.pop(),
                    "firing": f"C{firing + 1:02d}",
                    "peak_temperature_C": temperature,
                    "hold_min": hold,
                    "parent": None,
                }
            )
    design = pd.DataFrame(lots)
    activated = np.zeros(len(design), dtype=bool)
    for _, group in design.groupby("feedstock"):
        chosen = rng.permutation(group.index)[: round(activated_share * len(group))]
        activated[chosen] = True
    design["activation"] = np.where(activated, "KOH", "none")
    design["koh_ratio"] = np.where(activated, 3.0, np.nan)
    place = np.cumsum(activated) - 1
    design["activation_firing"] = [
        f"A{k // 6 + 1:02d}" if on else None for k, on in zip(place, activated, strict=True)
    ]
    design["activation_temperature_C"] = np.where(activated, 700.0, np.nan)
    design["activation_hold_min"] = np.where(activated, 60.0, np.nan)
    fired = design.drop_duplicates("firing")
    firings = pd.DataFrame(
        {
            "firing": fired["firing"],
            "kind": "carbonise",
            "peak_temperature_C": fired["peak_temperature_C"] + rng.normal(0, 4, len(fired)),
            "hold_min": fired["hold_min"],
        }
    ).reset_index(drop=True)
    done = firings.set_index("firing")["peak_temperature_C"]
    firing_f = dict(zip(firings["firing"], rng.normal(0, firing_sd, len(firings)), strict=True))
    firing_y = dict(zip(firings["firing"], rng.normal(0, 0.06, len(firings)), strict=True))
    second = sorted(set(design["activation_firing"].dropna()))
    second_f = dict(zip(second, rng.normal(0, 0.05, len(second)), strict=True))
    second_y = dict(zip(second, rng.normal(0, 0.08, len(second)), strict=True))
    yields, cells = [], []
    for lot in design.to_dict("records"):
        on = lot["activation"] == "KOH"
        log_f, char, step = predictors(
            effects, lot["feedstock"], on, done[lot["firing"]], lot["hold_min"]
        )
        char += firing_y[lot["firing"]] + rng.normal(0, 0.06)
        step += second_y.get(lot["activation_firing"], 0.0) + rng.normal(0, 0.10)
        record = {name: lot[name] for name in lot if name not in ("parent",)}
        record["lot"] = lot["run"]
        yields.append(
            {
                **record,
                "yield_char_d_percent": 100 / (1 + np.exp(-char)),
                "yield_activated_percent": 100 / (1 + np.exp(-step)) if on else np.nan,
            }
        )
        log_f += firing_f[lot["firing"]] + second_f.get(lot["activation_firing"], 0.0)
        log_f += rng.normal(0, lot_sd)
        for k in range(cells_per_lot):
            value = float(np.exp(log_f + rng.normal(0, cell_sd)))
            cells.append({**record, "cell": f"{lot['run']}-{k + 1}", "electrode_F_per_g": value})
    return SimulatedScreen(design, firings, pd.DataFrame(yields), pd.DataFrame(cells), effects)
