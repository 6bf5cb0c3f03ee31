"""The tables under review: which rows are kept, which are left out and why, what was found."""

from collections.abc import Iterable

from charscreen.findings import LEAVES_OUT, QUESTIONS, STOPS, Finding
from charscreen.screen.parsing import show
from charscreen.screen.schemas import table_schemas

SHOWN_PER_COLUMN = 10
THING = {
    "feedstocks": "feedstock",
    "design": "lot",
    "firings": "firing",
    "firing_readings": "reading",
    "masses": "weighing",
    "cells": "cell",
    "tests": "test",
    "readings": "reading",
}


class Review:
    """Rows of all tables while they are checked.

    Parameters
    ----------
    tables : dict of str to list of dict
        Rows as read, every table present.
    config : dict
        Settings with defaults; only the parts that concern tables are looked at.
    findings : list of Finding
        What reading them found already.
    files : dict of str to str
        File name of each table that is not ``<table>.csv``.

    Attributes
    ----------
    gone : dict of str to dict
        For each table id to reason of the rows left out.
    left_out : list of dict
        Keys table, row, id, reason.
    """

    def __init__(
        self,
        tables: dict[str, list[dict]],
        config: dict,
        findings: Iterable[Finding] = (),
        files: dict[str, str] | None = None,
    ):
        self._tables = {name: list(rows) for name, rows in tables.items()}
        self._dropped: dict[str, set[int]] = {name: set() for name in tables}
        self._kept: dict[str, list[dict]] = {}
        self.config = config
        self.findings = list(findings)
        self.files = files or {}
        self.gone: dict[str, dict[str, str]] = {name: {} for name in tables}
        self.left_out: list[dict] = []
        self._counts: dict[tuple, int] = {}

    def rows(self, table: str) -> list[dict]:
        """Rows of a table that were not left out so far, in the order of the file.

        The list stays as it is while later rows are left out, so it is safe to loop over.
        """
        if table not in self._kept:
            dropped = self._dropped[table]
            self._kept[table] = [row for row in self._tables[table] if row["row"] not in dropped]
        return self._kept[table]

    def all_rows(self, table: str) -> list[dict]:
        """Rows of a table as read, those left out included."""
        return self._tables[table]

    def rows_by_id(self, table: str) -> dict[str, dict]:
        """Rows kept so far by their id."""
        key = table_schemas()[table].key
        return {row[key]: row for row in self.rows(table) if row[key] is not None}

    def add(
        self, table: str, row: dict | int | None, column: str, severity: str, message: str
    ) -> None:
        """Keep a finding; one that leaves out takes its row away at once.

        Parameters
        ----------
        table, column, severity, message : str
            As in `Finding`.
        row : dict, int or None
            The row itself where there is one, so that its value is shown.
        """
        number = row["row"] if isinstance(row, dict) else row
        value = row.get(column) if isinstance(row, dict) else None
        if severity == STOPS:
            kind = (table, column)
            self._counts[kind] = self._counts.get(kind, 0) + 1
            if self._counts[kind] == SHOWN_PER_COLUMN + 1:
                message = f"{message} More rows of this column have the same kind of problem."
            elif self._counts[kind] > SHOWN_PER_COLUMN:
                return
        self.findings.append(
            Finding(
                table,
                number,
                column,
                "" if value is None else show(value),
                severity,
                message,
                file=self.files.get(table, ""),
            )
        )
        if severity == LEAVES_OUT and isinstance(row, dict):
            self.drop(table, [row], message)

    def stops(self, table: str, row: dict | int | None, column: str, message: str) -> None:
        """A finding for which nothing is computed."""
        self.add(table, row, column, STOPS, message)

    def leaves_out(self, table: str, row: dict, column: str, message: str) -> None:
        """A finding that takes its row out."""
        self.add(table, row, column, LEAVES_OUT, message)

    def questions(self, table: str, row: dict | int | None, column: str, message: str) -> None:
        """A finding that only asks."""
        self.add(table, row, column, QUESTIONS, message)

    def drop(self, table: str, rows: list[dict], reason: str) -> None:
        """Take rows out of a table and note why; readings of one test are noted together."""
        dropped = self._dropped[table]
        here = [row for row in rows if row["row"] not in dropped]
        if not here:
            return
        dropped |= {row["row"] for row in here}
        self._kept.pop(table, None)
        schema = table_schemas()[table]
        id_column = schema.key or schema.order_by[0]
        noted: dict[str, dict] = {}
        for row in here:
            word = row[id_column] or ""
            if schema.key:
                self.gone[table][word] = reason
            elif word in noted:
                noted[word]["count"] += 1
                continue
            noted[word] = {
                "table": table,
                "row": row["row"],
                "id": word,
                "reason": reason,
                "count": 1,
            }
        for entry in noted.values():
            count = entry.pop("count")
            if count > 1:
                entry["reason"] += f" ({count} readings)"
            self.left_out.append(entry)

    def drop_dependents(self, table: str, column: str, of: str) -> None:
        """Take out the rows whose id in `column` names a row of `of` that was left out."""
        present = set(self.rows_by_id(of))
        by_id: dict[str, list[dict]] = {}
        for row in self.rows(table):
            word = row[column]
            if word is not None and word not in present and word in self.gone[of]:
                by_id.setdefault(word, []).append(row)
        for word, rows in by_id.items():
            thing = "parent" if column == "parent" else THING[of]
            self.drop(table, rows, f"Its {thing} {word} is left out: {self.gone[of][word]}")
