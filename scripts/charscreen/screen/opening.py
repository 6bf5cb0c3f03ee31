"""A screen as one object: its settings, its checked tables, and all that was found in them."""

import os
from dataclasses import dataclass, field
from pathlib import Path

from charscreen.findings import LEAVES_OUT, QUESTIONS, STOPS, Finding, nearest, render, sort_key
from charscreen.priors import FILE as PRIORS_FILE
from charscreen.priors import read_priors
from charscreen.screen import checks
from charscreen.screen.accepting import accepted_reasons, mistyped_columns, with_acceptance
from charscreen.screen.check_merits import check_prices
from charscreen.screen.config import load_config
from charscreen.screen.config_yaml import config_finding
from charscreen.screen.folder import read_tables
from charscreen.screen.review import Review
from charscreen.screen.schemas import table_schemas

SHOWN = 200  # findings of a kind that the check prints


class ScreenError(Exception):
    """A screen that cannot be computed; the text is ready to print.

    Attributes
    ----------
    findings : list of Finding
        Those that stop; empty where there is no screen at all.
    """

    def __init__(self, message: str, findings: list[Finding] | None = None):
        super().__init__(message)
        self.findings = findings or []


@dataclass(frozen=True)
class Screen:
    """A checked screen.

    Parameters
    ----------
    folder : Path
        The screen's folder, which holds config/.
    config : dict
        Settings with all defaults filled in.
    tables : dict of str to list of dict
        Every table, sorted by id: key ``row`` (row in the spreadsheet), then every column;
        numbers are float, text is str, empty is None. Rows left out are not among them.
    findings : list of Finding
        Worst first; questioned values carry the user's reason where they were accepted.
    left_out : list of dict
        Keys table, row, id, reason.
    unused : list of str
        Columns that hold values and are not used in this version, as ``table.column``.
    accepted : dict
        (table, row) to the text under ``accepted``.
    files : list of str
        Settings and tables that were read, relative to the folder.
    rows_read : dict of str to int
        Rows in each file, those left out included.
    notes : list of str
        What is worth knowing and no fault: files open elsewhere, rows of a form not filled in.
    priors : dict
        Content of config/priors.yaml; empty where there is none.
    """

    folder: Path
    config: dict
    tables: dict[str, list[dict]]
    findings: list[Finding]
    left_out: list[dict] = field(default_factory=list)
    unused: list[str] = field(default_factory=list)
    accepted: dict[tuple[str, int], str] = field(default_factory=dict)
    files: list[str] = field(default_factory=list)
    rows_read: dict[str, int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    priors: dict = field(default_factory=dict)


def open_screen(folder: str | os.PathLike, overrides: dict | None = None) -> Screen:
    """A screen with everything read and checked; nothing is written.

    Parameters
    ----------
    folder : path-like
        The screen's folder, which holds config/.
    overrides : dict, optional
        Nested settings that win over config.yaml, as given on the command line.

    Returns
    -------
    Screen
        Fit for computing; it may hold findings that leave out or question.

    Raises
    ------
    ScreenError
        Where there is no screen, or where anything stops: all problems of all files together.
    """
    folder = Path(folder)
    config_folder = folder / "config"
    path = config_folder / "config.yaml"
    if not path.is_file():
        raise ScreenError(_no_screen(folder))
    config, findings = load_config(path, overrides)
    stopped = any(finding.severity == STOPS for finding in findings)
    read = read_tables(config_folder)
    tables = read.tables
    review = checks.check_tables(
        tables,
        {} if stopped else config,
        read.findings,
        traces=config_folder / "traces",
        files=read.names,
    )
    priors, prior_findings = read_priors(config_folder / PRIORS_FILE)
    accepted = accepted_reasons(tables)
    findings = findings + prior_findings + review.findings
    if not stopped:
        findings += [
            config_finding(None, ".".join(key), value, text)
            for key, value, text in check_prices(config, tables["feedstocks"])
        ]
    findings += mistyped_columns(accepted, read.names)
    findings = with_acceptance(findings, accepted)
    stops = [finding for finding in findings if finding.severity == STOPS]
    if stops:
        raise ScreenError("\n".join([render(stops), *read.notes]), stops)
    files = {f"config/{file.name}" for file in read.files.values()}
    files = sorted(files | ({f"config/{PRIORS_FILE}"} if priors else set()))
    return Screen(
        folder=folder,
        config=config,
        tables=_sorted_tables(review),
        findings=sorted(findings, key=sort_key),
        left_out=review.left_out,
        unused=_unused(tables),
        accepted=accepted,
        files=["config/config.yaml", *files],
        rows_read={table: len(rows) for table, rows in tables.items()},
        notes=read.notes,
        priors=priors,
    )


def _no_screen(folder: Path) -> str:
    config = folder / "config"
    lay_out = "sh scripts/with_env.sh python scripts/new_screen.py my_screen"
    if config.is_dir():
        names = sorted(entry.name for entry in config.iterdir() if entry.is_file())
        near = nearest("config.yaml", [name for name in names if not name.endswith(".csv")])
        if near:
            return (
                f"1 problem in {config}\n  The settings are named '{near}'. Rename the file to "
                "config.yaml."
            )
    return (
        f"1 problem in {folder if str(folder) != '.' else 'this folder'}\n  There is no "
        f"config/config.yaml, so this is no screen. Name the folder of one, or lay out an empty "
        f"one:\n  {lay_out}"
    )


def _sorted_tables(review: Review) -> dict[str, list[dict]]:
    """Rows in an order that does not hang on the order in the file."""
    tables = {}
    for name, schema in table_schemas().items():
        order = schema.order_by
        tables[name] = sorted(
            review.rows(name), key=lambda row, order=order: (*(row[c] for c in order), row["row"])
        )
    return tables


def _unused(tables: dict[str, list[dict]]) -> list[str]:
    """Columns with values and without a use; a table of nothing else is named as a whole."""
    names = []
    for table, schema in table_schemas().items():
        filled = [
            column
            for column in schema.columns.values()
            if any(row[column.name] is not None for row in tables[table])
        ]
        idle = [f"{table}.{column.name}" for column in filled if not column.used]
        is_idle = bool(idle) and not any(column.used and column.required for column in filled)
        names += [table] if is_idle else idle
    return names


def render_check(screen: Screen) -> str:
    """What the check has to say, as text for a terminal.

    Parameters
    ----------
    screen : Screen
        From `open_screen`.

    Returns
    -------
    str
        Rows read per table, then what is left out, what is questioned, what was accepted, and
        columns that are not used yet.
    """
    dropped: dict[str, int] = {}
    for entry in screen.left_out:
        dropped[entry["table"]] = dropped.get(entry["table"], 0) + 1
    lines = [f"Checked: {screen.config['title']}", "", "table            rows read  kept"]
    for table in table_schemas():
        count, kept = screen.rows_read.get(table, 0), len(screen.tables[table])
        lines.append(f"{table:<16} {count:>9} {kept:>5}" if count else f"{table:<16}     empty")
    by_kind = {severity: [] for severity in (LEAVES_OUT, QUESTIONS, "accepted")}
    for finding in screen.findings:
        by_kind["accepted" if finding.accepted else finding.severity].append(finding)
    heads = {
        LEAVES_OUT: "left out, since impossible or absent",
        QUESTIONS: "questioned and kept; correct it, or write a reason under accepted",
        "accepted": "questioned and accepted",
    }
    for kind, head in heads.items():
        if by_kind[kind]:
            lines += ["", f"{len(by_kind[kind])} {head}:", *_shortened(by_kind[kind])]
        if kind == LEAVES_OUT:
            others = _other_left_out(screen, by_kind[kind])
            if others:
                lines += ["", f"{len(others)} left out by a reason of yours or with another row:"]
                lines += others
    if screen.unused:
        lines += ["", "Read, but not used in this version: " + ", ".join(screen.unused) + "."]
    if not screen.findings and not screen.left_out:
        lines += ["", "Nothing found."]
    if screen.notes:
        lines += ["", *screen.notes]
    return "\n".join(lines)


def _shortened(findings: list[Finding]) -> list[str]:
    lines = list(map(_line, findings[:SHOWN]))
    if len(findings) > SHOWN:
        lines.append(
            f"  ... and {len(findings) - SHOWN} more; the target collect writes all of them to "
            "collect/findings.csv."
        )
    return lines


def _line(finding: Finding) -> str:
    place = f", {finding.place}" if finding.place else ""
    reason = f" Accepted: {finding.accepted}" if finding.accepted else ""
    return f"  {finding.file_name}{place}: {finding.message}{reason}"


def _other_left_out(screen: Screen, leaving: list[Finding]) -> list[str]:
    known = {(finding.table, finding.row) for finding in leaving}
    return [
        f"  {entry['table']}, row {entry['row']} ({entry['id']}): {entry['reason']}"
        for entry in screen.left_out
        if (entry["table"], entry["row"]) not in known
    ]
