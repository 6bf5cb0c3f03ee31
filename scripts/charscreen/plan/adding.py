"""Adding a proposed firing to the screen's design, with every row that is there left as it is."""

import csv
import io
import os
from collections.abc import Mapping, Sequence
from pathlib import Path

from charscreen.files import write_bytes
from charscreen.findings import STOPS, render
from charscreen.plan.acceptance import (
    AcceptError,
    config_of,
    count_lots,
    free_name,
    read_proposed,
    read_what_is_there,
)
from charscreen.screen.grids import read_grid
from charscreen.screen.parsing import plain_number
from charscreen.screen.schemas import table_schemas
from charscreen.screen.tables import read_table

_BOM = b"\xef\xbb\xbf"


def accept_next(folder: str | os.PathLike) -> list[str]:
    """Add the rows of the proposed firing to a screen's design table.

    Parameters
    ----------
    folder : path-like
        The screen's folder.

    Returns
    -------
    list of str
        What was done, in lines to print.

    Raises
    ------
    AcceptError
        Where there is no proposal or nothing in it, where a table cannot be read, or where the
        design went on since: an id of the proposal is taken. Nothing is written then.

    Notes
    -----
    The rows in place stay as they are, byte for byte unless the proposal needs a column that the
    file lacks; the file then gets it at its end. The old file is kept in ``history/``.
    """
    folder = Path(folder)
    path = folder / config_of(folder)["results"] / "next" / "design.csv"
    proposed = read_proposed(path, folder, target="next", what="proposal")
    design_path, tables = read_what_is_there(folder)
    if not design_path.is_file():
        raise AcceptError("There is no config/design.csv to add to. Accept a plan first.")
    there = {row["run"]: row for row in tables["design"]}
    same = [row["run"] for row in proposed if _is_same(row, there.get(row["run"]))]
    if len(same) == len(proposed):
        return ["config/design.csv holds these lots already; nothing was written."]
    problems = _taken(proposed, tables)
    if problems:
        raise AcceptError(
            "config/design.csv stays as it is: it went on since the firing was proposed.\n"
            + "\n".join(f"  {text}" for text in problems)
            + "\nPropose anew with: sh scripts/with_env.sh snakemake next"
        )
    before = design_path.read_bytes()
    after = _with_rows(design_path, before, proposed)
    kept = free_name(folder / "history", "design")
    try:
        write_bytes(kept, before)
        write_bytes(design_path, after)
    except OSError as error:
        raise AcceptError(
            f"{error.filename or design_path} cannot be written ({error.strerror or error}); "
            "config/design.csv is as it was."
        ) from None
    read = read_table(design_path, table_schemas()["design"])
    stops = [finding for finding in read.findings if finding.severity == STOPS]
    if stops:
        write_bytes(design_path, before)
        raise AcceptError(f"The lots could not be added:\n{render(stops, str(folder / 'config'))}")
    firings = list(dict.fromkeys(row["firing"] for row in proposed))
    return [
        f"config/design.csv now holds {count_lots(proposed)} more, in firing "
        f"{', '.join(firings)}; the rows that were there are unchanged.",
        f"The file as it was is kept as {kept.relative_to(folder)}.",
    ]


def _is_same(row: Mapping, other: Mapping | None) -> bool:
    return other is not None and all(
        row[name] == other[name] for name in row if name in other and name != "row"
    )


def _taken(proposed: Sequence[Mapping], tables: Mapping[str, list[dict]]) -> list[str]:
    """Ids of the proposal that are in use by now."""
    runs = {row["run"] for row in tables["design"]}
    firings = {row["firing"] for row in tables["design"]} | {
        row["firing"] for row in tables["firings"]
    }
    firings |= {row["activation_firing"] for row in tables["design"]} - {None}
    texts = [f"run {row['run']} is there already" for row in proposed if row["run"] in runs]
    wanted = [row[name] for row in proposed for name in ("firing", "activation_firing")]
    texts += [
        f"firing {name} is there already"
        for name in dict.fromkeys(wanted)
        if name is not None and name in firings
    ]
    return texts


def _with_rows(path: Path, before: bytes, proposed: Sequence[Mapping]) -> bytes:
    """The file with rows added in its own columns, delimiter, decimal mark and line ends."""
    schema = table_schemas()["design"]
    grid = read_grid(path, frozenset(schema.columns))
    header = [str(cell).strip() for cell in grid.rows[0]]
    needed = [
        name
        for name, column in schema.columns.items()
        if any(row[name] not in (None, column.default) for row in proposed)
    ]
    new = [name for name in needed if name not in header]
    ending = "\r\n" if b"\r\n" in before else "\n"
    mark = _decimal_mark(grid.rows, header, grid.delimiter)
    stream = io.StringIO()
    writer = csv.writer(stream, delimiter=grid.delimiter, lineterminator=ending)
    if new:
        width = len(header)
        old = [row[:width] + [""] * (width - len(row)) for row in grid.rows[1:]]
        writer.writerows([header + new, *(row + [""] * len(new) for row in old)])
        start = _BOM if before.startswith(_BOM) else b""
    else:
        start = before if before.endswith((b"\n", b"\r")) else before + ending.encode()
    for row in proposed:
        writer.writerow([_cell(row.get(name), mark) for name in header + new])
    return start + stream.getvalue().encode("utf-8")


def _decimal_mark(rows: Sequence[Sequence], header: Sequence[str], delimiter: str) -> str:
    """A comma where the numbers of the file have commas, or where its delimiter suggests it."""
    columns = table_schemas()["design"].columns
    places = [i for i, name in enumerate(header) if name in columns and columns[name].is_number]
    cells = [str(row[i]) for row in rows[1:] for i in places if i < len(row)]
    if any("." in cell for cell in cells):
        return "."
    return "," if any("," in cell for cell in cells) and delimiter != "," else "."


def _cell(value: object, mark: str) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return plain_number(value).replace(".", mark)
    return str(value)
