"""Candidates: what the screen can choose between, each a feedstock at a tested condition."""

import numpy as np
import pandas as pd

from charscreen.deviations import off_plan
from charscreen.models.covariates import is_activated

CONDITION = [
    "feedstock",
    "activation",
    "koh_ratio",
    "peak_temperature_C",
    "hold_min",
    "activation_temperature_C",
    "activation_hold_min",
]
COLUMNS = [
    "candidate",
    *CONDITION,
    "n_firings",
    "n_lots",
    "n_yields",
    "n_cells",
    "n_resistances",
    "off_plan",
    "predicted",
]
_NUMBERS = [
    "koh_ratio",
    "peak_temperature_C",
    "hold_min",
    "activation_temperature_C",
    "activation_hold_min",
]


def list_candidates(
    design: pd.DataFrame,
    firings: pd.DataFrame | None,
    yields: pd.DataFrame,
    cells: pd.DataFrame,
) -> pd.DataFrame:
    """Each feedstock at each condition at which something was measured.

    Parameters
    ----------
    design : DataFrame
        One row per run (lot or aliquot): run, feedstock, firing, peak_temperature_C, hold_min;
        parent, activation, koh_ratio, activation_firing, activation_temperature_C and
        activation_hold_min where given. [°C, min, g per g char]
    firings : DataFrame or None
        Firings done: firing, peak_temperature_C, hold_min; used only for an activation
        condition that the design leaves open.
    yields : DataFrame
        run, yield_char_d_percent, yield_activated_percent. [%]
    cells : DataFrame
        cell, run, electrode_F_per_g, and esr_area_ohm_cm2 where known. [F/g, Ω·cm²]

    Returns
    -------
    DataFrame
        candidate (id text), feedstock, activation, koh_ratio, peak_temperature_C, hold_min,
        activation_temperature_C, activation_hold_min, n_firings and n_lots (with anything
        measured), n_yields (lots with the yield of their last step), n_cells, n_resistances
        (cells with a series resistance), off_plan (True
        where every firing it rests on ended far from its plan), predicted (``yes`` where nothing
        was measured at that condition: never here); ordered by candidate. Reference lots count
        like others.

    Notes
    -----
    The condition is the planned one: two lots of one plan are one candidate although the kiln
    did 695 and 706 °C. What the kiln did enters the models instead. How far is far:
    `charscreen.deviations.off_plan`.
    """
    if design.empty:
        return pd.DataFrame(columns=COLUMNS)
    runs = _runs(design, firings)
    cell_counts = _counts(cells, "electrode_F_per_g")
    char = _counts(yields, "yield_char_d_percent")
    activated = _counts(yields, "yield_activated_percent")
    runs["n_cells"] = runs["run"].map(cell_counts).fillna(0).astype(int)
    resistances = _counts(cells, "esr_area_ohm_cm2")
    runs["n_resistances"] = runs["run"].map(resistances).fillna(0).astype(int)
    own_char = runs["run"].map(char).fillna(0) > 0
    lot_char = runs["lot"].map(char).fillna(0) > 0
    own_activated = runs["run"].map(activated).fillna(0) > 0
    last_step = own_activated.where(is_activated(runs["activation"]), own_char)
    runs["has_yield"] = last_step & (own_char | lot_char)
    runs = runs[(runs["n_cells"] > 0) | own_char | own_activated]
    runs = runs.dropna(subset=["feedstock", "peak_temperature_C", "hold_min"])
    if runs.empty:
        return pd.DataFrame(columns=COLUMNS)
    rows = []
    for key, group in runs.groupby(CONDITION, dropna=False, sort=True):
        rows.append(
            dict(
                zip(CONDITION, key, strict=True),
                n_firings=group["firing"].nunique(),
                n_lots=group["lot"].nunique(),
                n_yields=int(group.loc[group["has_yield"], "lot"].nunique()),
                n_cells=int(group["n_cells"].sum()),
                n_resistances=int(group["n_resistances"].sum()),
                off_plan=bool(group["off_plan"].all()),
                predicted="no",
            )
        )
    table = pd.DataFrame(rows)
    table["candidate"] = _names(table)
    return table[COLUMNS].sort_values("candidate", ignore_index=True)


def candidate_name(condition: dict) -> str:
    """Id text of a candidate, for example ``rice_husk_700C_60min_KOH3``."""
    name = (
        f"{condition['feedstock']}_{condition['peak_temperature_C']:g}C"
        f"_{condition['hold_min']:g}min"
    )
    if condition["activation"] != "none":
        ratio = condition["koh_ratio"]
        name += f"_{condition['activation']}" + (f"{ratio:g}" if ratio == ratio else "")
    return name


def condition_keys(candidates: pd.DataFrame) -> list[tuple[str, ...]]:
    """Per candidate its condition without the feedstock, to tell same ones by."""
    rows = candidates[CONDITION[1:]].itertuples(index=False)
    return [tuple(map(str, row)) for row in rows]


def _runs(design: pd.DataFrame, firings: pd.DataFrame | None) -> pd.DataFrame:
    """Runs of the design with lot and full planned condition."""
    runs = pd.DataFrame({"run": design["run"], "firing": design["firing"]})
    parent = design["parent"] if "parent" in design else pd.Series(None, index=design.index)
    runs["lot"] = parent.where(parent.notna() & (parent != ""), design["run"])
    runs["feedstock"] = design["feedstock"]
    given = design["activation"] if "activation" in design else pd.Series(None, index=design.index)
    activated = is_activated(given)
    runs["activation"] = [v if on else "none" for v, on in zip(given, activated, strict=True)]
    for name in _NUMBERS:
        values = design[name] if name in design else pd.Series(float("nan"), index=design.index)
        runs[name] = pd.to_numeric(values, errors="coerce").astype(float)
    if "activation_firing" in design and firings is not None and not firings.empty:
        done = firings.drop_duplicates("firing").set_index("firing")
        for name in ("peak_temperature_C", "hold_min"):
            if name in done:
                target = "activation_" + name.removeprefix("peak_")
                done_value = pd.to_numeric(design["activation_firing"].map(done[name]))
                runs[target] = runs[target].fillna(done_value)
    runs["off_plan"] = _off_plan(runs, firings)
    for name in ("koh_ratio", "activation_temperature_C", "activation_hold_min"):
        runs.loc[~activated, name] = float("nan")
    return runs


def _off_plan(runs: pd.DataFrame, firings: pd.DataFrame | None) -> list[bool]:
    """Whether the char firing of each run ended far from its plan."""
    if firings is None or firings.empty:
        return [False] * len(runs)
    done = firings.drop_duplicates("firing").set_index("firing")
    off = pd.Series(False, index=runs.index)
    for name in ("peak_temperature_C", "hold_min"):
        if name in done:
            reached = pd.to_numeric(runs["firing"].map(done[name]), errors="coerce")
            pairs = zip(reached, runs[name], strict=True)
            off |= np.array([a == a and b == b and off_plan(name, a, b, {}) for a, b in pairs])
    return off.tolist()


def _counts(table: pd.DataFrame, column: str) -> pd.Series:
    """Rows per run that have a value."""
    if table.empty or column not in table:
        return pd.Series(dtype=float)
    return table[table[column].notna()].groupby("run").size()


def _names(table: pd.DataFrame) -> list[str]:
    """Unique id texts; the activation condition is added only where it must be."""
    names = [candidate_name(row) for row in table.to_dict("records")]
    twice = {name for name in names if names.count(name) > 1}
    full = []
    for name, row in zip(names, table.to_dict("records"), strict=True):
        if name in twice:
            for column, unit in (("activation_temperature_C", "C"), ("activation_hold_min", "min")):
                if row[column] == row[column]:
                    name += f"_{row[column]:g}{unit}"
        full.append(name)
    return full
