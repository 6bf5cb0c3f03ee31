"""Results of many jobs put into one table each; plain text in, plain text out, no table library."""

import csv
from collections.abc import Collection, Mapping, Sequence

from charscreen import findings as found
from charscreen.screen.accepting import reason_for

LEFT_OUT_COLUMNS = ("table", "row", "id", "reason")


def read_rows(path: str) -> list[dict[str, str]]:
    """Rows of a result table as text, cell by cell; an empty cell is an empty text."""
    with open(path, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def gather_tests(paths: Sequence[str]) -> list[dict[str, str]]:
    """Test results of all batches in one list, sorted by test.

    Parameters
    ----------
    paths : sequence of str
        Tables of the batches; may be empty.

    Returns
    -------
    list of dict
        One row per test, cells as they stand in the tables.
    """
    rows = [row for path in paths for row in read_rows(path)]
    return sorted(rows, key=lambda row: row["test"])


def typed(rows: Sequence[Mapping[str, str]], text_columns: Collection[str]) -> list[dict]:
    """Rows with numbers where their columns hold numbers, None where a cell is empty.

    Parameters
    ----------
    rows : sequence of mapping
        Cells as text.
    text_columns : collection of str
        Columns that stay text.
    """
    return [
        {
            name: None if not cell else cell if name in text_columns else float(cell)
            for name, cell in row.items()
        }
        for row in rows
    ]


def gather_findings(
    table_findings: Sequence[Mapping],
    paths: Sequence[str],
    *,
    left_out: Sequence[Mapping],
    accepted: Mapping[tuple[str, int], str],
    rows_of: Mapping[str, Mapping[str, int]],
) -> tuple[list[dict], list[dict]]:
    """All findings in one list, worst first, and all rows left out with the reason.

    Parameters
    ----------
    table_findings : sequence of mapping
        Findings of the check, as rows of findings.csv.
    paths : sequence of str
        Findings of traces and cells, as CSV.
    left_out : sequence of mapping
        Rows the check left out: table, row, id, reason.
    accepted : mapping
        (table, row) to the user's reason for accepting a questioned value.
    rows_of : mapping
        Table to a mapping of id to row, for findings of jobs, which know no row numbers.

    Returns
    -------
    findings : list of dict
        Columns of findings.csv.
    left_out : list of dict
        `LEFT_OUT_COLUMNS`, each row once.
    """
    rows = [dict(row) for row in table_findings]
    out = [dict(row) for row in left_out]
    for path in paths:
        for record in read_rows(path):
            row = {name: record.get(name) or "" for name in found.JOB_COLUMNS}
            row["row"] = int(row["row"]) if row["row"] else ""
            row["row"] = rows_of.get(row["table"], {}).get(row["id"], row["row"])
            key = (row["table"], row["row"])
            if row["severity"] == found.QUESTIONS:
                # The job may know the reason, but not for which column it is.
                reason = accepted.get(key, "")
                row["accepted"] = reason_for(reason, row["column"], row["table"])
            if row["severity"] == found.LEAVES_OUT:
                out.append(
                    {
                        "table": row["table"],
                        "row": row["row"],
                        "id": row["id"],
                        "reason": row["message"],
                    }
                )
            rows.append(row)
    rows.sort(
        key=lambda row: (
            found.SEVERITIES.index(row["severity"]),
            bool(row["accepted"]),
            row["table"],
            row["row"] or 0,
            row["column"],
        )
    )
    out.sort(key=lambda row: (row["table"], row["row"] or 0))
    once = {tuple(row[name] for name in LEFT_OUT_COLUMNS): row for row in out}
    return rows, list(once.values())
