"""Results of many jobs put into one table each."""

from collections.abc import Mapping, Sequence

import pandas as pd

from charscreen import findings as found
from charscreen.files import read_csv
from charscreen.screen.accepting import reason_for


def gather_tests(paths: Sequence[str], columns: Sequence[str]) -> pd.DataFrame:
    """Test results of all batches in one table, sorted by test.

    Parameters
    ----------
    paths : sequence of str
        Tables of the batches; may be empty.
    columns : sequence of str
        Columns of the table.

    Returns
    -------
    DataFrame
        One row per test; with no rows where no test was evaluated.
    """
    parts = [part for part in map(read_csv, paths) if len(part)]
    if not parts:
        return pd.DataFrame(columns=list(columns))
    return pd.concat(parts).sort_values("test", kind="stable")[list(columns)]


def gather_findings(
    table_findings: Sequence[Mapping],
    paths: Sequence[str],
    *,
    left_out: Sequence[Mapping],
    accepted: Mapping[tuple[str, int], str],
    rows_of: Mapping[str, Mapping[str, int]],
) -> tuple[pd.DataFrame, pd.DataFrame]:
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
    findings : DataFrame
        Columns of findings.csv.
    left_out : DataFrame
        Columns table, row, id, reason.
    """
    rows = [dict(row) for row in table_findings]
    out = [dict(row) for row in left_out]
    for path in paths:
        for record in read_csv(path).to_dict("records"):
            row = {name: _plain(record.get(name)) for name in found.JOB_COLUMNS}
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
    return (
        pd.DataFrame(rows, columns=list(found.COLUMNS)),
        pd.DataFrame(out, columns=["table", "row", "id", "reason"]).drop_duplicates(),
    )


def _plain(value: object) -> object:
    """A cell of a read table as plain text or whole number; empty where missing."""
    if value is None or value != value:
        return ""
    return int(value) if isinstance(value, float) else value
