"""Questioned values that the user accepted, and for which column a reason holds."""

import re
from dataclasses import replace

from charscreen.findings import QUESTIONS, Finding, nearest
from charscreen.screen.parsing import show
from charscreen.screen.schemas import table_schemas

_ONE_WORD = re.compile(r"[A-Za-z]\w*", re.ASCII)


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
        ``column: reason; column: reason``, or one reason for the whole row. A name that is
        meant as a column and is none has its reason hold for nothing.
    column : str
        Column of the questioned value.
    table : str
        Its table, whose columns are known.
    """
    if table not in table_schemas():
        return accepted
    named = _by_column(accepted, table)
    if named is None:
        return accepted
    return "; ".join(reason for name, reason in named if name == column and reason)


def mistyped_columns(
    accepted: dict[tuple[str, int], str], files: dict[str, str] | None = None
) -> list[Finding]:
    """A question on each name under ``accepted`` that is meant as a column and is none.

    Parameters
    ----------
    accepted : dict
        From `accepted_reasons`.
    files : dict of str to str, optional
        File name of each table that is not ``<table>.csv``.
    """
    found = []
    for (table, row), text in accepted.items():
        known = table_schemas()[table].columns
        for name in [name for name, _ in _by_column(text, table) or [] if name not in known]:
            near = nearest(name, known)
            meant = f" Did you mean '{near}'?" if near else ""
            message = (
                f"'{show(name)}' before the colon is no column of {table}, so this reason accepts "
                f"nothing.{meant} Correct the name, or write the reason without a colon for the "
                "whole row."
            )
            file = (files or {}).get(table, "")
            found.append(Finding(table, row, "accepted", show(text), QUESTIONS, message, file=file))
    return found


def _by_column(accepted: str, table: str) -> list[tuple[str, str]] | None:
    """Column and reason of each part, or None where the text is one reason for the whole row."""
    named = []
    for part in accepted.split(";"):
        if not part.strip():
            continue
        name, colon, reason = part.partition(":")
        if not colon or not _is_meant_as_column(name.strip(), table):
            return None
        named.append((name.strip(), reason.strip()))
    return named


def _is_meant_as_column(name: str, table: str) -> bool:
    """Whether a word before a colon is a column of the table, or looks like a slip in one."""
    known = table_schemas()[table].columns
    if name in known:
        return True
    return bool(_ONE_WORD.fullmatch(name)) and ("_" in name or nearest(name, known) is not None)


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
