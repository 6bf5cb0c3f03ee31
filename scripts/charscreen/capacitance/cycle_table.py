"""The table of cycles as a Parquet file: written per batch, then joined."""

import io
from pathlib import Path
from typing import TYPE_CHECKING

from charscreen.capacitance.result_columns import (
    CYCLE_TABLE_COLUMNS,
    TEXT_COLUMNS,
    WHOLE_COLUMNS,
)
from charscreen.files import write_bytes

if TYPE_CHECKING:
    import polars as pl


def told_drop(row: dict) -> dict:
    """A cycle as it is shown: without a drop below zero where no resistance came out.

    Parameters
    ----------
    row : dict
        With ``esr_ohm`` and ``drop_V``; not changed.

    Returns
    -------
    dict
    """
    if row.get("esr_ohm") is None and (row.get("drop_V") or 0.0) < 0:
        return {**row, "drop_V": None}
    return row


def write_cycles(cycles: list[dict], path: str | Path) -> None:
    """Write rows of cycles; None and what is missing become null.

    Parameters
    ----------
    cycles : list of dict
        Rows with `CYCLE_TABLE_COLUMNS`; other keys are passed over.
    path : path-like
        Where to write.
    """
    import polars as pl

    cycles = [told_drop(row) for row in cycles]
    columns = {name: [row.get(name) for row in cycles] for name in CYCLE_TABLE_COLUMNS}
    _write(pl.DataFrame(columns, schema=_schema(), strict=False), path)


def gather_cycles(sources: list[str], path: str | Path) -> None:
    """Join the cycles of all batches, sorted by test and cycle.

    Parameters
    ----------
    sources : list of str
        Files of `write_cycles`; may be empty.
    path : path-like
        Where to write.
    """
    import polars as pl

    parts = [pl.read_parquet(source) for source in sources]
    whole = pl.concat(parts) if parts else pl.DataFrame(schema=_schema())
    _write(whole.sort("test", "cycle", maintain_order=True), path)


def _schema() -> dict:
    import polars as pl

    return {
        name: pl.String
        if name in TEXT_COLUMNS
        else pl.Int64
        if name in WHOLE_COLUMNS
        else pl.Float64
        for name in CYCLE_TABLE_COLUMNS
    }


def _write(frame: "pl.DataFrame", path: str | Path) -> None:
    """Whole or not at all, as every file of ours."""
    stream = io.BytesIO()
    frame.write_parquet(stream)
    write_bytes(path, stream.getvalue())
