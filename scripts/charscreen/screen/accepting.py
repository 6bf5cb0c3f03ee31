"""Questioned values that the user accepted, and for which column a reason holds."""

from dataclasses import replace

from charscreen.findings import QUESTIONS, Finding
from charscreen.screen.schemas import table_schemas


def accepted_reasons(
    tables: dict[str, list[dict]],
) -> dict[tuple[str, int], str]:
    """(table, row) to the text under ``accepted``, for the rows that have one."""
    return {
        (table, row["row"]): row["accepted"]
        for table, rows in tables.items()
        for row in rows
        if row.get("accepted")
    }


def reason_for(accepted: str, column: str, table: str) -> str:
    """The part of an ``accepted`` cell that holds for a column; empty where none does.

    Parameters
    ----------
    accepted : str
        ``column: reason; column: reason``, or one reason for the whole row.
    column : str
        Column of the questioned value.
    table : str
        Its table, whose columns are known.
    """
    if table not in table_schemas():
        return accepted
    known = table_schemas()[table].columns
    parts = [part.strip() for part in accepted.split(";") if part.strip()]
    named = []
    for part in parts:
        name, colon, reason = part.partition(":")
        if not colon or name.strip() not in known:
            return accepted
        named.append((name.strip(), reason.strip()))
    return "; ".join(reason for name, reason in named if name == column and reason)


def with_acceptance(findings: list[Finding], accepted: dict[tuple[str, int], str]) -> list[Finding]:
    """Findings with the user's reason beside each questioned value that has one."""
    out = []
    for finding in findings:
        text = accepted.get((finding.table, finding.row or 0), "")
        if text and finding.severity == QUESTIONS:
            reason = reason_for(text, finding.column, finding.table)
            finding = replace(finding, accepted=reason)
        out.append(finding)
    return out
