"""A ranking as it stood, with what it was made from: kept in history/, compared with later."""

from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from charscreen.files import read_json
from charscreen.findings import UserError
from charscreen.rounding import is_number

RANKING = (
    "candidate",
    "feedstock",
    "activation",
    "koh_ratio",
    "peak_temperature_C",
    "hold_min",
    "merit",
    "unit",
    "better",
    "estimate",
    "estimate_lo",
    "estimate_hi",
    "expected_rank",
    "p_best",
    "expected_loss",
    "group",
)
COLLECTED = {"lots": "yields", "cells": "cells", "firings": "firings"}
"""Kind of measurement to the table of the collect stage that holds it."""
MEASURED = {
    "lots": ("run", ("feedstock", "yield_char_d_percent", "yield_activated_percent")),
    "cells": ("cell", ("feedstock", "electrode_F_per_g", "esr_area_ohm_cm2")),
    "firings": ("firing", ("peak_temperature_C", "hold_min")),
}
"""Per kind the column of its id and what is kept of it; text columns only say what it is."""
_KEYS = ("kept", "ranking", "measurements", "inputs")


def make_snapshot(
    ranking: pd.DataFrame,
    tables: Mapping[str, pd.DataFrame],
    *,
    kept: str,
    inputs: Mapping[str, str],
    summary: Mapping | None = None,
) -> dict:
    """A ranking and what it was made from, as plain data.

    Parameters
    ----------
    ranking : DataFrame
        Columns `RANKING`; others are not kept.
    tables : mapping of str to DataFrame
        ``lots``, ``cells`` and ``firings`` as collected, with the columns of `MEASURED`.
    kept : str
        Date, ISO.
    inputs : mapping of str to str
        File to SHA-256 of its content.
    summary : mapping, optional
        Of the ranking.

    Returns
    -------
    dict
        kept, inputs, measurements (per kind, id to values), summary, ranking (rows).
    """
    measurements = {}
    for kind, (key, columns) in MEASURED.items():
        table = tables[kind]
        measurements[kind] = {
            str(row[key]): {name: _plain(row.get(name)) for name in columns}
            for row in table.to_dict("records")
        }
    rows = [{name: _plain(row.get(name)) for name in RANKING} for row in ranking.to_dict("records")]
    return {
        "kept": kept,
        "inputs": dict(sorted(inputs.items())),
        "measurements": measurements,
        "summary": dict(summary or {}),
        "ranking": rows,
    }


def read_snapshot(path: str | Path) -> dict:
    """A snapshot from its file.

    Raises
    ------
    UserError
        Where the file is no snapshot; with what to do.
    """
    try:
        found = read_json(path)
    except (OSError, ValueError):
        found = None
    if not isinstance(found, dict) or any(key not in found for key in _KEYS):
        raise UserError(
            f"{path} is no snapshot of a ranking, or was changed by hand. Move it out of "
            "history/ and run again."
        )
    return found


def _plain(value: object) -> object:
    if is_number(value):
        return float(f"{float(value):.10g}")
    return value if isinstance(value, str) and value else None
