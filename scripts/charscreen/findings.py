"""Findings: what is wrong or doubtful in the input, in one form from check to report."""

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

STOPS = "stops"
LEAVES_OUT = "leaves out"
QUESTIONS = "questions"
SEVERITIES = (STOPS, LEAVES_OUT, QUESTIONS)
COLUMNS = ("table", "row", "column", "value", "severity", "message", "accepted")
#: With the id, so that a job that knows no row numbers can say which row it means.
JOB_COLUMNS = (*COLUMNS, "id")


class UserError(ValueError):
    """A mistake in the user's input; its text is the whole message, ready to print."""


@dataclass(frozen=True)
class Finding:
    """One thing found in the input.

    Parameters
    ----------
    table : str
        Table name without ending, for example ``masses``; ``config`` for the settings.
    row : int or None
        Row as a spreadsheet counts it (the header is row 1); None for the whole file.
    column : str
        Column, or key path in the settings; empty for the whole row or file.
    value : str
        The value found, as text; empty where there is none.
    severity : str
        One of `SEVERITIES`: *stops* (nothing is computed), *leaves out* (that row and what
        hangs on it), *questions* (kept, listed until accepted).
    message : str
        What was found and what to do, one or two sentences.
    accepted : str
        The user's reason for accepting a questioned value; empty otherwise.
    id : str
        Id in that row, where the finder knows no row number.
    file : str
        File name below config/, where it is not ``<table>.csv``.
    """

    table: str
    row: int | None
    column: str
    value: str
    severity: str
    message: str
    accepted: str = ""
    id: str = ""
    file: str = ""

    @property
    def place(self) -> str:
        """Where in the file: row and column in words."""
        parts = []
        if self.row is not None:
            parts.append(f"row {self.row}")
        if self.column:
            parts.append(("key " if self.table == "config" else "column ") + self.column)
        return ", ".join(parts)

    @property
    def file_name(self) -> str:
        """File the finding is about, relative to the config folder."""
        if self.file:
            return self.file
        return "config.yaml" if self.table == "config" else f"{self.table}.csv"

    def as_row(self) -> dict:
        """The finding as plain values, `JOB_COLUMNS`."""
        return {name: getattr(self, name) for name in JOB_COLUMNS}


def sort_key(finding: Finding) -> tuple:
    """Order of findings: worst first, then file, row, column."""
    return (
        SEVERITIES.index(finding.severity),
        finding.file_name,
        finding.row or 0,
        finding.column,
        finding.message,
    )


def typed_text(value: object) -> str:
    """A value as the user typed it, near enough: every digit, no exponent where none was needed.

    Parameters
    ----------
    value : object
        Cell of a checked row: number, text or None.
    """
    return "" if value is None else f"{value:.12g}" if isinstance(value, float) else str(value)


def nearest(word: str, choices: Iterable[str]) -> str | None:
    """Nearest known name to a word, or None where nothing is near.

    Parameters
    ----------
    word : str
        What the user wrote.
    choices : iterable of str
        The known names.
    """
    by_folded = {str(choice).casefold(): str(choice) for choice in choices}
    hits = difflib.get_close_matches(str(word).casefold().strip(), by_folded, n=1, cutoff=0.6)
    return by_folded[hits[0]] if hits else None


def render(findings: Iterable[Finding], folder: str = "config") -> str:
    """All findings as one message, grouped by file.

    Parameters
    ----------
    findings : iterable of Finding
        In any order; they are sorted by file, row and column.
    folder : str
        Folder named before each file.

    Returns
    -------
    str
        ``2 problems in config/masses.csv`` and an indented line for each.
    """
    by_file: dict[str, list[Finding]] = {}
    for finding in sorted(findings, key=lambda f: (f.file_name, f.row or 0, f.column, f.message)):
        by_file.setdefault(finding.file_name, []).append(finding)
    lines = []
    for file, group in by_file.items():
        count = "1 problem" if len(group) == 1 else f"{len(group)} problems"
        lines.append(f"{count} in {folder}/{file}")
        for finding in group:
            place = f"{finding.place}: " if finding.place else ""
            lines.append(f"  {place}{finding.message}")
    return "\n".join(lines)
