"""Views of the ranking and of the raw values under it, for figures and pages."""

from collections.abc import Mapping

import pandas as pd

from charscreen.basis import is_measured
from charscreen.rounding import is_number

CONDITION = ["feedstock", "activation", "koh_ratio", "peak_temperature_C", "hold_min"]
TOP = 10
GRID_MOST = 12


def of_merit(ranking: pd.DataFrame, merit: str) -> pd.DataFrame:
    """Rows of one merit with a known estimate, best first."""
    if ranking is None or ranking.empty or "merit" not in ranking:
        return pd.DataFrame(columns=list(getattr(ranking, "columns", [])))
    rows = ranking[(ranking["merit"] == merit) & ranking["estimate"].map(is_number)]
    less = less_is_better(rows)
    return rows.sort_values("estimate", ascending=less, kind="stable").reset_index(drop=True)


def less_is_better(rows: pd.DataFrame) -> bool:
    """Whether rows of one merit are better the lower they are."""
    return len(rows) > 0 and "better" in rows and rows["better"].iloc[0] == "less"


def is_unmade(row: Mapping) -> bool:
    """Whether a candidate is the model's alone: predicted, without a lot at its condition."""
    return row.get("predicted") == "yes" and row.get("n_lots") == 0


def best_measured(rows: pd.DataFrame) -> str:
    """The first measured one of rows of one merit, best first, where a predicted one leads."""
    found = [row["candidate"] for row in rows.to_dict("records") if is_measured(row)]
    return found[0] if found and found[0] != rows["candidate"].iloc[0] else ""


def leading(ranking: pd.DataFrame, merit: str, top: int = TOP) -> tuple[pd.DataFrame, int]:
    """The best rows of one merit, and how many more there are."""
    rows = of_merit(ranking, merit)
    return rows.head(top), max(len(rows) - top, 0)


def raw_lots(cells: pd.DataFrame, yields: pd.DataFrame, merit: str) -> pd.DataFrame:
    """What was measured of a merit, one row per lot.

    Parameters
    ----------
    cells : DataFrame
        Columns run, feedstock, activation, koh_ratio, peak_temperature_C, hold_min,
        electrode_F_per_g [F/g], cell_F_per_g [F/g].
    yields : DataFrame
        Columns run, carbon_g_per_kg_d [g per kg dry feed].
    merit : str
        ``electrode_F_per_g``, ``cell_F_per_g``, ``esr_area_ohm_cm2`` or ``device_F_per_kg_d``;
        others give an empty table.

    Returns
    -------
    DataFrame
        Columns run, feedstock, activation, koh_ratio, peak_temperature_C, hold_min, value,
        n_cells. The value is the mean over the cells of the lot, in the unit of the merit.
    """
    columns = ["run", *CONDITION, "value", "n_cells"]
    value = {"device_F_per_kg_d": "cell_F_per_g"}
    value |= {name: name for name in ("electrode_F_per_g", "cell_F_per_g", "esr_area_ohm_cm2")}
    if merit not in value or cells is None or cells.empty or value[merit] not in cells:
        return pd.DataFrame(columns=columns)
    known = cells[cells[value[merit]].map(is_number)]
    if known.empty:
        return pd.DataFrame(columns=columns)
    by_lot = known.groupby("run", sort=True)
    lots = by_lot[CONDITION].first()
    lots["value"] = by_lot[value[merit]].mean()
    lots["n_cells"] = by_lot.size()
    lots = lots.reset_index()
    if merit == "device_F_per_kg_d":
        if yields is None or yields.empty:
            return pd.DataFrame(columns=columns)
        carbon = yields.drop_duplicates("run").set_index("run")["carbon_g_per_kg_d"]
        lots["value"] = lots["value"] * pd.to_numeric(lots["run"].map(carbon))
        lots = lots[lots["value"].map(is_number)]
    return lots[columns].reset_index(drop=True)


def is_in_group(row: Mapping) -> bool:
    """Whether a row of the ranking is marked as not told apart from the best."""
    return isinstance(row.get("group"), str) and bool(row["group"])


def lots_of(raw: pd.DataFrame | None, row: Mapping) -> list[float]:
    """Values of the lots with the conditions of a row of the ranking."""
    if raw is None or raw.empty:
        return []
    same = pd.Series(True, index=raw.index)
    for name in CONDITION:
        value = row.get(name)
        if is_number(value) or isinstance(value, str):
            same &= raw[name] == value
        elif name == "koh_ratio":
            same &= ~raw[name].map(is_number)
    return [float(value) for value in raw.loc[same, "value"]]


def has_values(frame: pd.DataFrame | None, column: str) -> bool:
    """Whether a table has any number in a column."""
    return frame is not None and column in frame and bool(frame[column].map(is_number).any())


def has_scatter(table: pd.DataFrame | None) -> bool:
    """Whether a scatter table has anything to draw."""
    return has_values(table, "sd_percent")
