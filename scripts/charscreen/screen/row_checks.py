"""Checks of the rows of one table by its schema, and the list its findings gather in."""

from collections import Counter

from charscreen.findings import LEAVES_OUT, QUESTIONS, STOPS, Finding
from charscreen.screen.parsing import advice, plain_number, show
from charscreen.screen.review import SHOWN_PER_COLUMN
from charscreen.screen.schemas import Column, TableSchema


class Collector:
    """Findings of one file; more than a few of one kind in one column are counted, not listed."""

    def __init__(self, table: str, file: str):
        self.table = table
        self.file = "" if file == f"{table}.csv" else file
        self.findings: list[Finding] = []
        self._seen: Counter = Counter()
        self._last: dict[tuple, Finding] = {}

    def add(self, row: int | None, column: str, value: object, severity: str, message: str) -> None:
        """Keep a finding, or count it where the column has many like it."""
        kind = (column, severity)
        self._seen[kind] += 1
        finding = Finding(
            self.table,
            row,
            column,
            "" if value is None else show(value),
            severity,
            message,
            file=self.file,
        )
        if severity == STOPS and self._seen[kind] > SHOWN_PER_COLUMN:
            self._last[kind] = finding
            return
        self.findings.append(finding)

    def close(self) -> list[Finding]:
        """All findings, with one for those that were only counted."""
        for kind, last in self._last.items():
            more = self._seen[kind] - SHOWN_PER_COLUMN
            text = f"and {more} more in this column up to here. {last.message}"
            self.findings.append(
                Finding(last.table, last.row, last.column, last.value, STOPS, text, file=self.file)
            )
        return self.findings


def check_required(
    rows: list[dict], values: dict[str, list], schema: TableSchema, found: Collector
) -> None:
    """No empty cell in a required column, save in rows that are left out by the user."""
    bad = {(finding.row, finding.column) for finding in found.findings}
    for name, column in schema.columns.items():
        pair = bool(column.instead) and all(part in values for part in column.instead)
        if not column.required or (name not in values and not pair):
            continue
        for row in rows:
            if row[name] is not None or (row["row"], name) in bad:
                continue
            if pair and all(row[part] is not None for part in column.instead):
                continue
            if row.get("exclude_reason") and name != schema.key:
                continue
            or_else = f" (or {' and '.join(column.instead)})" if column.instead else ""
            found.add(
                row["row"],
                name,
                None,
                STOPS,
                f"The cell is empty and its value is required{or_else}. {advice(column)}",
            )


def check_limits(
    rows: list[dict], values: dict[str, list], schema: TableSchema, found: Collector
) -> None:
    """Impossible values leave their row out, implausible ones are questioned."""
    excluded = [bool(row.get("exclude_reason")) for row in rows]
    for name in values:
        column = schema.columns[name]
        if not column.is_number:
            continue
        for row, skip in zip(rows, excluded, strict=True):
            value = row[name]
            if value is None or skip:
                continue
            broken = _broken_limit(value, column)
            if broken:
                found.add(
                    row["row"],
                    name,
                    value,
                    LEAVES_OUT,
                    f"{show(value)} is impossible: {broken}. The row is left out until it is "
                    f"mended. {advice(column)}",
                )
                continue
            doubt = _doubt(value, column)
            if doubt:
                found.add(row["row"], name, value, QUESTIONS, doubt)


def _broken_limit(value: float, column: Column) -> str:
    unit = f" {column.unit}" if column.unit else ""
    if column.minimum is not None and value < column.minimum:
        return f"it is below {plain_number(column.minimum)}{unit}"
    if column.above is not None and value <= column.above:
        return f"it must be above {plain_number(column.above)}{unit}"
    if column.maximum is not None and value > column.maximum:
        return f"it is above {plain_number(column.maximum)}{unit}"
    if column.below is not None and value >= column.below:
        return f"it must be below {plain_number(column.below)}{unit}"
    return ""


def _doubt(value: float, column: Column) -> str:
    if column.questions_in and column.questions_in[0] < value < column.questions_in[1]:
        return (
            f"{show(value)} % is very little. If it was meant as a fraction, write "
            f"{show(100 * value)}."
        )
    if column.plausible and not column.plausible[0] <= value <= column.plausible[1]:
        low, high = map(plain_number, column.plausible)
        unit = f" {column.unit}" if column.unit else ""
        return (
            f"{show(value)}{unit} is unusual (expected between {low} and {high}{unit}). "
            f"{column.hint or 'Check the value and its unit.'}"
        )
    return ""


def check_key(rows: list[dict], schema: TableSchema, found: Collector) -> None:
    """Each id once among the rows that are kept; ids that differ in capitals only are refused."""
    seen: dict[str, dict] = {}
    for row in rows:
        word = row[schema.key]
        if word is None or row.get("exclude_reason"):
            continue
        other = seen.setdefault(word.casefold(), row)
        if other is row:
            continue
        if other[schema.key] == word:
            message = (
                f"'{word}' stands in row {other['row']} already. Each {schema.key} has one row."
            )
        else:
            message = (
                f"'{word}' differs from '{other[schema.key]}' in row {other['row']} in capitals "
                f"only. Each {schema.key} has one row and one spelling."
            )
        found.add(row["row"], schema.key, word, STOPS, message)
