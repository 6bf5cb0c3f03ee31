"""What a half-filled screen still lacks, by id."""

from collections.abc import Iterable, Mapping


def unfilled(tables: Mapping[str, list[dict]]) -> dict[str, list[str]]:
    """Lots, cells and firings that wait for a measurement.

    Parameters
    ----------
    tables : mapping of str to list of dict
        Checked tables as in `charscreen.screen.Screen`; design (run, firing, activation,
        activation_firing, parent), masses, cells, tests and firings are looked at. A row that
        was left out is not in them, so what it held counts as lacking.

    Returns
    -------
    dict of str to list of str
        Ids in the order of their tables. ``not_weighed``: lots and aliquots whose char is not
        weighed, or, where they are activated, whose carbon is not. ``without_cells``: lots and
        aliquots no cell is made of. ``without_tests``: cells. ``firings_not_recorded``: firings
        of char and of activation that the design names and the table of firings does not hold;
        planned temperature and hold stand in for them.
    """
    design = tables.get("design", [])
    weighed = {row["run"]: row for row in tables.get("masses", [])}
    with_cells = _ids(tables.get("cells", []), "run")
    with_tests = _ids(tables.get("tests", []), "cell")
    recorded = _ids(tables.get("firings", []), "firing")
    named = [
        row.get(column)
        for column in ("firing", "activation_firing")
        for row in design
        if row.get(column) is not None
    ]
    return {
        "not_weighed": [
            row["run"] for row in design if not _is_weighed(row, weighed.get(row["run"]))
        ],
        "without_cells": [row["run"] for row in design if row["run"] not in with_cells],
        "without_tests": [
            row["cell"] for row in tables.get("cells", []) if row["cell"] not in with_tests
        ],
        "firings_not_recorded": [
            firing for firing in dict.fromkeys(named) if firing not in recorded
        ],
    }


def _is_weighed(lot: Mapping, masses: Mapping | None) -> bool:
    if masses is None:
        return False
    # The char of an aliquot is weighed with its parent.
    needed = [] if lot.get("parent") is not None else ["char"]
    if lot.get("activation") not in (None, "none"):
        needed.append("activated")
    return all(_has(masses, name) for name in needed)


def _has(row: Mapping, name: str) -> bool:
    """Whether a mass was weighed, net or gross."""
    return any(row.get(f"{name}_{kind}") is not None for kind in ("g", "gross_g"))


def _ids(rows: Iterable[Mapping], column: str) -> set:
    return {row[column] for row in rows}
