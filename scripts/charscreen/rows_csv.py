"""Rows as a result table, without the cost of loading a table library."""

import csv
import io
from pathlib import Path

from charscreen.files import write_text


def write_rows_csv(rows: list[dict], columns: tuple | list, path: str | Path) -> None:
    """Write rows as a result table: comma, decimal point, ten significant digits.

    Parameters
    ----------
    rows : list of dict
        None and NaN become empty cells.
    columns : sequence of str
        Columns, in order.
    path : path-like
        Where to write.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row.get(name)) for name in columns])
    write_text(path, stream.getvalue())


def _cell(value) -> str:
    if value is None or value != value:
        return ""
    if isinstance(value, float):
        return f"{value:.10g}"
    return str(value)
