"""Checks across the tables: names that must exist, rows that fall with others, and all the rest."""

from pathlib import Path

from charscreen.findings import LEAVES_OUT, SEVERITIES, STOPS, Finding, nearest
from charscreen.screen import (
    check_alike,
    check_cells,
    check_design,
    check_firings,
    check_masses,
    check_readings,
)
from charscreen.screen.review import SHOWN_PER_COLUMN, Review
from charscreen.screen.schemas import table_schemas


def check_tables(
    tables: dict[str, list[dict]],
    config: dict,
    findings: list[Finding],
    *,
    traces: Path,
    files: dict[str, str] | None = None,
) -> Review:
    """All tables checked against each other, from the feedstocks down to the readings.

    Parameters
    ----------
    tables : dict of str to list of dict
        Rows as read by `folder.read_tables`.
    config : dict
        Settings with defaults; empty where they could not be read (then what needs them is not
        checked).
    findings : list of Finding
        What reading the tables found; rows it leaves out are taken away first.
    traces : Path
        Folder of the trace files.
    files : dict of str to str, optional
        File name of each table that is not ``<table>.csv``.

    Returns
    -------
    Review
        Rows kept, rows left out with reasons, all findings, those of reading included.

    Notes
    -----
    A left-out feedstock takes its lots, a lot its weighing, cells and aliquots, a cell its tests,
    a test its readings. A firing takes its lots only where the user excluded it: a mistyped
    temperature in firings costs that row alone. A left-out weighing takes no cell.
    """
    review = Review(tables, config, findings, files)
    unsure = _unsure_tables(findings)
    _leave_out_marked(review)
    excluded_firings = dict(review.gone["firings"])
    _leave_out_impossible(review, findings)
    for table in table_schemas():
        _check_references(review, table, unsure)
        if table == "design":
            review.drop_dependents("design", "feedstock", "feedstocks")
            _drop_lots_of_firings(review, excluded_firings)
            review.drop_dependents("design", "parent", "design")
            check_design.check_design(review)
        elif table == "firings":
            check_firings.check_firings(review, traces)
        elif table == "firing_readings":
            _check_firing_readings(review, unsure, excluded_firings)
        elif table == "masses":
            review.drop_dependents("masses", "run", "design")
            check_masses.check_masses(review)
            check_alike.check_masses_alike(review)
        elif table == "cells":
            review.drop_dependents("cells", "run", "design")
            check_cells.check_cells(review)
            check_alike.check_cells_alike(review)
        elif table == "tests":
            review.drop_dependents("tests", "cell", "cells")
            check_cells.check_tests(review, traces)
        elif table == "readings":
            review.drop_dependents("readings", "test", "tests")
            check_readings.check_readings(review)
    check_alike.check_dates_alike(review)
    if "feedstocks" not in unsure:
        _check_plan(review)
    review.findings = _without_moot(review.findings)
    review.left_out.sort(key=lambda entry: (entry["table"], entry["row"]))
    return review


def _without_moot(findings: list[Finding]) -> list[Finding]:
    """Findings without those that another on the same cell makes pointless.

    Something worse in a cell answers the questions on it; a value that could not be read is why
    the cell then seems empty.
    """
    here: dict[tuple, list[Finding]] = {}
    for finding in findings:
        if finding.row is not None and finding.column:
            here.setdefault((finding.table, finding.row, finding.column), []).append(finding)
    moot: set[int] = set()
    for group in here.values():
        worst = min(SEVERITIES.index(finding.severity) for finding in group)
        unread = any(finding.severity == STOPS and finding.value for finding in group)
        moot |= {
            id(finding)
            for finding in group
            if SEVERITIES.index(finding.severity) > worst or (unread and not finding.value)
        }
    return [finding for finding in findings if id(finding) not in moot]


def _unsure_tables(findings: list[Finding]) -> set[str]:
    """Tables whose ids are not all known, since their file or key column could not be read."""
    schemas = table_schemas()
    stopping = [finding for finding in findings if finding.severity == STOPS]
    if any(finding.table == "forms" for finding in stopping):
        return set(schemas)  # a workbook of all tables that cannot be read
    return {
        finding.table
        for finding in stopping
        if finding.table in schemas
        and (finding.column in ("", schemas[finding.table].key) or finding.row in (None, 1))
    }


def _leave_out_marked(review: Review) -> None:
    """Take out the rows that carry a reason for exclusion."""
    for table in table_schemas():
        for row in [row for row in review.rows(table) if row.get("exclude_reason")]:
            review.drop(table, [row], row["exclude_reason"])


def _leave_out_impossible(review: Review, findings: list[Finding]) -> None:
    """Take out the rows in which reading found an impossible value."""
    by_number = {
        (table, row["row"]): row for table in table_schemas() for row in review.rows(table)
    }
    for finding in findings:
        row = by_number.get((finding.table, finding.row))
        if finding.severity == LEAVES_OUT and row is not None:
            review.drop(finding.table, [row], f"{finding.column}: {finding.message}")


def _check_references(review: Review, table: str, unsure: set[str]) -> None:
    """Every id that names a row of another table has that row."""
    for name, column in table_schemas()[table].columns.items():
        if not column.refers_to:
            continue
        of, key = column.refers_to.split(".")
        if of in unsure:
            continue
        known = set(review.rows_by_id(of)) | set(review.gone[of])
        rows = [row for row in review.rows(table) if row[name] is not None]
        if rows and not known:
            message = (
                f"The table {of} has no rows, so no {key} is known. Fill it first, or leave this "
                "table empty."
            )
            review.stops(table, None, name, message)
            continue
        strangers = [row for row in rows if row[name] not in known]
        # One more than are shown, so that the list says there are more; each costs a search.
        for row in strangers[: SHOWN_PER_COLUMN + 1]:
            review.stops(table, row, name, unknown(row[name], known, key, of))


def unknown(word: str, known: set[str], key: str, table: str) -> str:
    """Message on an id that does not exist."""
    near = nearest(word, sorted(known))
    if near and near.casefold() == word.casefold():
        meant = f"Capitals count: it is '{near}' there. "
    else:
        meant = f"Did you mean '{near}'? " if near else ""
    return f"'{word}' is no {key} of the table {table}. {meant}Correct it, or add it there."


def _drop_lots_of_firings(review: Review, excluded: dict[str, str]) -> None:
    for column in ("firing", "activation_firing"):
        for firing, reason in excluded.items():
            if firing in review.rows_by_id("firings"):
                continue
            rows = [row for row in review.rows("design") if row[column] == firing]
            review.drop("design", rows, f"Its firing {firing} is left out: {reason}")


def _check_firing_readings(review: Review, unsure: set[str], excluded: dict[str, str]) -> None:
    """Kiln readings belong to a firing that some table names."""
    for firing, reason in excluded.items():
        if firing not in review.rows_by_id("firings"):
            rows = [row for row in review.rows("firing_readings") if row["firing"] == firing]
            review.drop("firing_readings", rows, f"Its firing {firing} is left out: {reason}")
    if unsure & {"firings", "design"}:
        return
    known = set(review.rows_by_id("firings")) | set(review.gone["firings"])
    for row in review.rows("design"):
        known |= {row["firing"], row["activation_firing"]} - {None}
    for row in review.rows("firing_readings"):
        if row["firing"] is not None and row["firing"] not in known:
            message = unknown(row["firing"], known, "firing", "firings")
            review.stops("firing_readings", row, "firing", message)


def _check_plan(review: Review) -> None:
    """Feedstocks that the settings name exist."""
    plan = review.config.get("plan")
    if not plan:
        return
    known = set(review.rows_by_id("feedstocks")) | set(review.gone["feedstocks"])
    named = [] if plan["feedstocks"] == "all" else plan["feedstocks"]
    for key, words in (("plan.feedstocks", named), ("plan.reference", [plan["reference"]])):
        for word in words:
            if word is not None and word not in known:
                message = unknown(word, known, "feedstock", "feedstocks")
                review.findings.append(Finding("config", None, key, word, STOPS, message))
