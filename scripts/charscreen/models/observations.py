"""Rows that the models are fitted to: a measured value with its levels and conditions as done."""

import numpy as np
import pandas as pd

from charscreen.models.covariates import is_activated

CONDITIONS = [
    "peak_temperature_C",
    "hold_min",
    "koh_ratio",
    "activation_temperature_C",
    "activation_hold_min",
]
COLUMNS = [
    "id",
    "aliquot",
    "lot",
    "firing",
    "activation_firing",
    "feedstock",
    "activation",
    *CONDITIONS,
    "assembly_batch",
    "feed_batch",
    "order",
    "order_by",
    "run_order",
    "run_order_by",
    "value",
    "se",
]


def observation_rows(
    table: pd.DataFrame,
    design: pd.DataFrame,
    firings_done: pd.DataFrame,
    *,
    value: str,
    identity: str,
) -> pd.DataFrame:
    """Measured values with levels and the conditions that the kiln really did.

    Parameters
    ----------
    table : DataFrame
        Result table with run, lot, feedstock, firing, activation, koh_ratio,
        activation_firing, peak_temperature_C, hold_min and the two columns named below;
        ``<value>_se``, assembly_batch and assembled (a date) where known.
    design : DataFrame
        run, and activation_temperature_C, activation_hold_min, feed_batch, order where given.
        [°C, min]
    firings_done : DataFrame
        firing, and peak_temperature_C, hold_min, date where known. [°C, min]
    value, identity : str
        Columns of the value and of the id of a row.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`; rows without a value are left out. ``aliquot`` is the run,
        ``activation`` is ``none`` where the run was not activated and ``activation_firing``
        None there; a feed_batch is one of its feedstock; ``order`` numbers the char firings by
        date, else by id, as ``order_by`` says; ``run_order`` numbers the rows by the day of
        assembly, else by the order in the design, empty where neither is known of all, as
        ``run_order_by`` says; ``se`` is the standard error of the reading in the unit of the
        value.
    """
    if table.empty or value not in table:
        return pd.DataFrame(columns=COLUMNS)
    measured = pd.to_numeric(table[value], errors="coerce")
    table = table[measured.notna()].reset_index(drop=True)
    if table.empty:
        return pd.DataFrame(columns=COLUMNS)
    rows = pd.DataFrame({"id": table[identity].astype(str), "aliquot": table["run"].astype(str)})
    for name in ("lot", "firing", "feedstock"):
        rows[name] = table[name].astype(str)
    activated = is_activated(table["activation"])
    rows["activation"] = [
        str(v) if on else "none" for v, on in zip(table["activation"], activated, strict=True)
    ]
    fired = _column(table, "activation_firing", object)
    rows["activation_firing"] = pd.Series(
        [
            str(v) if on and v is not None and v == v and v != "" else None
            for v, on in zip(fired, activated, strict=True)
        ],
        dtype=object,
    )
    for name in ("peak_temperature_C", "hold_min", "koh_ratio"):
        rows[name] = _column(table, name, float)
    for name in ("activation_temperature_C", "activation_hold_min"):
        planned = _by_id(design, "run", name)
        rows[name] = pd.to_numeric(rows["aliquot"].map(planned)).astype(float)
    for prefix, level in (("", "firing"), ("activation_", "activation_firing")):
        for name in ("peak_temperature_C", "hold_min"):
            target = "activation_" + name.removeprefix("peak_") if prefix else name
            done = _by_id(firings_done, "firing", name)
            rows[target] = pd.to_numeric(rows[level].map(done)).astype(float).fillna(rows[target])
    rows.loc[~activated, ["koh_ratio", "activation_temperature_C", "activation_hold_min"]] = np.nan
    rows["assembly_batch"] = _labels(_column(table, "assembly_batch", object))
    batch = _labels(rows["aliquot"].map(_texts(design, "run", "feed_batch")))
    rows["feed_batch"] = [
        None if b is None else f"{f}:{b}" for f, b in zip(rows["feedstock"], batch, strict=True)
    ]
    rows["feed_batch"] = rows["feed_batch"].astype(object)
    places, rows["order_by"] = firing_order(rows["firing"], firings_done)
    rows["order"] = rows["firing"].map(places).astype(float)
    rows["run_order"], rows["run_order_by"] = _run_order(rows, table, design)
    rows["value"] = measured[measured.notna()].to_numpy(float)
    rows["se"] = _column(table, f"{value}_se", float)
    known = rows["peak_temperature_C"].notna() & rows["hold_min"].notna()
    return rows.loc[known, COLUMNS].reset_index(drop=True)


def firing_order(firings: pd.Series, firings_done: pd.DataFrame) -> tuple[dict[str, int], str]:
    """Place of each firing in time, by ``date`` where each has one, else by ``id``; and which."""
    names = sorted(set(firings))
    dates = _texts(firings_done, "firing", "date")
    dated = all(name in dates for name in names)
    if dated:
        names.sort(key=lambda name: (dates[name], name))
    return {name: place for place, name in enumerate(names)}, "date" if dated else "id"


def _run_order(
    rows: pd.DataFrame, table: pd.DataFrame, design: pd.DataFrame
) -> tuple[pd.Series, str]:
    """Place of each row by its day of assembly, else by its run's place in the design."""
    made = _labels(_column(table, "assembled", object))
    planned = rows["aliquot"].map(_by_id(design, "run", "order"))
    for key, source in ((made, "assembled"), (planned, "order")):
        if key.notna().all() and key.nunique() > 1:
            by_place = pd.DataFrame({"key": key, "id": rows["id"]}).sort_values(["key", "id"])
            return pd.Series(np.arange(len(rows), dtype=float), by_place.index), source
    return pd.Series(np.nan, rows.index), ""


def one_per_lot(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per char lot: that of the lot itself, else the first of its aliquots.

    An aliquot carries the char yield of its parent; taken twice, it would count as a repeat.
    """
    if rows.empty:
        return rows
    own = (rows["aliquot"] != rows["lot"]).astype(int)
    order = rows.assign(_own=own).sort_values(["_own", "aliquot"], kind="stable")
    kept = order.drop_duplicates("lot").drop(columns="_own")
    return kept.sort_values("lot", kind="stable", ignore_index=True)


def _column(table: pd.DataFrame, name: str, kind: type) -> pd.Series:
    if name not in table:
        empty = None if kind is object else np.nan
        return pd.Series([empty] * len(table), dtype=kind)
    values = table[name].reset_index(drop=True)
    if kind is object:
        return values.astype(object)
    return pd.to_numeric(values, errors="coerce").astype(float)


def _labels(column: pd.Series) -> pd.Series:
    """Texts, None where empty."""
    found = [str(v) if v is not None and v == v and v != "" else None for v in column]
    return pd.Series(found, dtype=object)


def _texts(table: pd.DataFrame, identity: str, name: str) -> dict[str, str]:
    """Known texts of a column by an id; empty where there is no such column."""
    if table.empty or name not in table:
        return {}
    known = zip(table[identity].astype(str), table[name], strict=True)
    return {key: str(v) for key, v in known if v is not None and v == v and v != ""}


def _by_id(table: pd.DataFrame, identity: str, name: str) -> pd.Series:
    """Known numbers of a column, indexed by an id; empty where there is no such column."""
    if table.empty or name not in table:
        return pd.Series(dtype=float)
    known = table.drop_duplicates(identity)
    values = pd.to_numeric(known[name], errors="coerce").to_numpy(float)
    return pd.Series(values, index=known[identity].astype(str)).dropna()
