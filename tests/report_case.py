"""Small result tables for the tests of figures and report, with the columns the stages write."""

import numpy as np
import pandas as pd

YIELDS = [
    "run",
    "lot",
    "feedstock",
    "role",
    "firing",
    "activation",
    "koh_ratio",
    "peak_temperature_C",
    "hold_min",
    "dry_matter_from",
    "yield_char_d_percent",
    "yield_activated_percent",
    "carbon_g_per_kg_d",
    "ash_of_char_from",
    "fixed_carbon_yield_percent",
]
CELLS = [
    "cell",
    "run",
    "lot",
    "feedstock",
    "firing",
    "activation",
    "koh_ratio",
    "peak_temperature_C",
    "hold_min",
    "capacitance_method",
    "electrode_F_per_g",
    "cell_F_per_g",
    "esr_ohm",
    "esr_ohm_se",
]
RANKING = [
    "candidate",
    "feedstock",
    "activation",
    "koh_ratio",
    "peak_temperature_C",
    "hold_min",
    "merit",
    "unit",
    "estimate",
    "estimate_lo",
    "estimate_hi",
    "expected_rank",
    "rank_lo",
    "rank_hi",
    "p_best",
    "p_top3",
    "expected_loss",
    "group",
    "n_firings",
    "n_lots",
    "n_cells",
    "predicted",
    "basis",
]
EFFECTS = ["term", "estimate", "se", "df", "lo", "hi", "p"]
VARIANCE = [
    "level",
    "variance",
    "sd",
    "sd_percent",
    "lo",
    "hi",
    "n_levels",
    "share_percent",
]
MEANS = ["feedstock", "activation", "estimate", "lo", "hi", "n_lots", "n_firings"]
RESIDUALS = ["id", "firing", "lot", "feedstock", "fitted", "residual", "standardised"]
MODELS = ("char_yield", "activation_yield", "capacitance")
CONFIG = {
    "title": "Small screen",
    "question": "Which waste?",
    "data_are_invented": True,
    "results": "results",
    "seed": 3,
    "merits": ["electrode_F_per_g", "device_F_per_kg_d"],
    "ranking": {"interval_percent": 90, "group_probability": 0.9},
    "capacitance": {"window": [0.8, 0.4], "skip_cycles": 1, "method_order": ["direct"]},
    "limits": {
        "aqueous_voltage_V": 1.0,
        "nitrogen_d_percent": 2.0,
        "koh_warning_C": 650,
    },
    "plan": {"activation": ["none", "KOH"]},
}


def empty_inputs() -> dict:
    """What the report gets from a screen in which nothing has been measured."""
    return {
        "ranking": pd.DataFrame(columns=RANKING),
        "rank_summary": {"interval_percent": 90.0, "merits": {}, "missing": []},
        "yields": pd.DataFrame(columns=YIELDS),
        "cells": pd.DataFrame(columns=CELLS),
        "test_results": pd.DataFrame(columns=["test", "cell", "method", "upper_voltage_V"]),
        "findings": pd.DataFrame(
            columns=["table", "row", "column", "value", "severity", "message", "accepted"]
        ),
        "left_out": pd.DataFrame(columns=["table", "row", "id", "reason"]),
        "models": {name: empty_model(f"no {name} yet") for name in MODELS},
        "unused": [],
        "counts": {"feedstocks": 0, "design": 0},
        "provenance": {"versions": {}, "seed": 3, "inputs": [], "code": "abc"},
    }


def empty_model(reason: str) -> dict:
    """A model that could not be fitted."""
    return {
        "effects": pd.DataFrame(columns=EFFECTS),
        "variance": pd.DataFrame(columns=VARIANCE),
        "means": pd.DataFrame(columns=MEANS),
        "residuals": pd.DataFrame(columns=RESIDUALS),
        "json": {"fitted": False, "reason": reason, "words": "it", "flags": []},
    }


def make_yields(feedstocks: list[str], *, lots: int = 4) -> pd.DataFrame:
    """Lots of each feedstock over two firings and temperatures, every second activated."""
    rows = []
    for f, feedstock in enumerate(feedstocks):
        for k in range(lots):
            activated = k % 2 == 1
            rows.append(
                {
                    "run": f"R{f}{k}",
                    "lot": f"R{f}{k}",
                    "feedstock": feedstock,
                    "role": "screen",
                    "firing": f"K{k // 2 + 1}",
                    "activation": "KOH" if activated else "none",
                    "koh_ratio": 3.0 if activated else np.nan,
                    "peak_temperature_C": 600.0 + 100 * (k // 2),
                    "hold_min": 60.0,
                    "dry_matter_from": "weighed",
                    "yield_char_d_percent": 25.0 + f + 0.5 * k,
                    "yield_activated_percent": 20.0 + f if activated else np.nan,
                    "carbon_g_per_kg_d": 250.0 + f if not activated else 50.0 + f,
                    "ash_of_char_from": "assumed all retained",
                    "fixed_carbon_yield_percent": np.nan,
                }
            )
    return pd.DataFrame(rows, columns=YIELDS)


def make_cells(yields: pd.DataFrame, *, each: int = 2) -> pd.DataFrame:
    """Cells of each lot."""
    rows = []
    for row in yields.to_dict("records"):
        for k in range(each):
            value = (150.0 if row["activation"] == "KOH" else 60.0) + 5 * k
            cell = {name: row[name] for name in CELLS if name in row}
            cell |= {
                "cell": f"{row['run']}c{k}",
                "capacitance_method": "direct",
                "electrode_F_per_g": value,
                "cell_F_per_g": value / 4,
                "esr_ohm": 5.0 + k,
                "esr_ohm_se": 0.2,
            }
            rows.append(cell)
    return pd.DataFrame(rows, columns=CELLS)


def make_ranking(yields: pd.DataFrame, merits: list[str]) -> pd.DataFrame:
    """One candidate per feedstock and condition; the first three are not told apart."""
    condition = ["feedstock", "activation", "koh_ratio", "peak_temperature_C", "hold_min"]
    rows = []
    for merit in merits:
        candidates = yields[condition].drop_duplicates().to_dict("records")
        for k, row in enumerate(candidates):
            estimate = 200.0 - 7 * k
            rows.append(
                {
                    **row,
                    "candidate": f"{row['feedstock']}_{row['peak_temperature_C']:g}C",
                    "merit": merit,
                    "unit": "F/g" if merit == "electrode_F_per_g" else "F/kg dry feed",
                    "estimate": estimate,
                    "estimate_lo": estimate - 12.3,
                    "estimate_hi": estimate + 14.1,
                    "expected_rank": k + 1.4,
                    "rank_lo": k + 1,
                    "rank_hi": k + 2,
                    "p_best": 0.6 if k == 0 else 0.4 / max(len(candidates) - 1, 1),
                    "p_top3": 0.8 if k < 3 else 0.0,
                    "expected_loss": 3.0 * k,
                    "group": "not told apart from the best" if k < 3 else None,
                    "n_firings": 1,
                    "n_lots": 2,
                    "n_cells": 4,
                    "predicted": "no",
                    "basis": "measured",
                }
            )
    return pd.DataFrame(rows, columns=RANKING)


def make_model(yields: pd.DataFrame, *, cells: pd.DataFrame | None = None) -> dict:
    """Tables of a fitted model of the right form; the numbers mean nothing."""
    feedstocks = sorted(set(yields["feedstock"]))
    unit = "lot" if cells is None else "cell"
    random = ["firing"] if cells is None else ["firing", "lot"]
    residuals = pd.DataFrame(
        [
            [row["run"], row["firing"], row["lot"], row["feedstock"], k / 7, 0.1, (k % 5) - 2.0]
            for k, row in enumerate(yields.to_dict("records"))
        ],
        columns=RESIDUALS,
    )
    variance = [
        ["feedstock", 0.04, 0.2, 20.0, 10.0, 40.0, len(feedstocks), np.nan],
        ["firing", 0.01, 0.1, 10.4, 5.2, 21.0, 2, 80.0],
        *([["lot", 0.0, 0.0, 0.1, 0.0, 0.2, len(yields), 0.0]] if cells is not None else []),
        [unit, 0.0025, 0.05, 5.1, 4.0, 6.6, len(yields), 20.0],
    ]
    means = [[name, None, 30.0 + k, 28.0, 33.5, 4, 2] for k, name in enumerate(feedstocks)]
    return {
        "effects": pd.DataFrame(
            [
                [f"{feedstocks[0]} at the centre of the screen", 1.0, 0.1, 4.2, 0.7, 1.3, 0.01],
                ["peak temperature, per 100 °C", -0.031, 0.012, 4.2, -0.06, -0.001, 0.047],
            ],
            columns=EFFECTS,
        ),
        "variance": pd.DataFrame(variance, columns=VARIANCE),
        "means": pd.DataFrame(means, columns=MEANS),
        "residuals": residuals,
        "json": {
            "fitted": True,
            "reason": "",
            "words": "char yield",
            "response": "yield_char_d_percent",
            "scale": "logit",
            "unit": unit,
            "n": len(yields),
            "n_lots": len(yields),
            "n_firings": int(yields["firing"].nunique()),
            "random": random,
            "terms": [{"name": "temperature", "label": "peak temperature, per 100 °C"}],
            "pooled": [{"name": "feedstock"}],
            "dropped": [{"term": "hold", "reason": "it did not vary (60 min)"}],
            "flags": ["The scatter between firings rests on only 2 firings."],
            "forbids": ["Nothing can be said about the effect of hold."],
            "interval_percent": 90.0,
            "posterior": {"draws": 4000, "seed": 7, "prior_scale": 1.0, "effective_size": 1500.4},
            "methods": ["Fitted by restricted maximum likelihood."],
        },
    }


def full_inputs(feedstocks: list[str] | None = None) -> dict:
    """A screen with everything measured."""
    inputs = empty_inputs()
    yields = make_yields(feedstocks or ["husk", "shell", "peel"])
    cells = make_cells(yields)
    inputs |= {
        "yields": yields,
        "cells": cells,
        "ranking": make_ranking(yields, CONFIG["merits"]),
        "test_results": pd.DataFrame({"test": cells["cell"], "method": "direct", "quality": None}),
        "counts": {"feedstocks": 3, "design": len(yields), "cells": len(cells)},
    }
    inputs["rank_summary"]["merits"] = {"electrode_F_per_g": {"p_best_in_group": 0.91}}
    inputs["models"]["char_yield"] = make_model(yields)
    inputs["models"]["capacitance"] = make_model(yields, cells=cells)
    return inputs
