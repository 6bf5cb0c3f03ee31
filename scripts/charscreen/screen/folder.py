"""All tables of a config folder: CSV files, workbooks, and one workbook of filled-in forms."""

import os
from dataclasses import dataclass, field
from pathlib import Path

from charscreen.findings import QUESTIONS, STOPS, Finding, nearest
from charscreen.screen.grids import BadFile
from charscreen.screen.schemas import TableSchema, table_schemas
from charscreen.screen.tables import TableRead, read_table, rows_of_grid, unreadable
from charscreen.screen.workbooks import Workbook, open_workbook

FORMS = "forms.xlsx"
#: Sheets of the forms that are no tables.
OTHER_SHEETS = ("about", "lists")
_TABLE_ENDINGS = (".csv", ".xlsx", ".xls", ".ods", ".tsv", ".txt", "")


@dataclass
class FolderRead:
    """What a config folder holds.

    Parameters
    ----------
    tables : dict of str to list of dict
        Rows by table name; a table that is nowhere has none.
    files : dict of str to Path
        The file each table was read from, where there is one.
    names : dict of str to str
        How messages name that file below config/, where it is not ``<table>.csv``.
    findings : list of Finding
        Of all files.
    notes : list of str
        What is worth knowing and no fault: files that are open elsewhere, rows not filled in.
    """

    tables: dict[str, list[dict]] = field(default_factory=dict)
    files: dict[str, Path] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def read_tables(folder: str | os.PathLike) -> FolderRead:
    """All tables of a config folder.

    A table is ``<table>.csv``, ``<table>.xlsx`` or the sheet ``<table>`` of forms.xlsx. Where a
    file and a sheet both have rows and neither holds all rows of the other, that stops.

    Parameters
    ----------
    folder : path-like
        The config folder of a screen.
    """
    folder = Path(folder)
    entries = sorted(folder.iterdir())
    names = [entry.name for entry in entries if entry.is_file()]
    out = FolderRead(notes=_open_elsewhere(names))
    out.findings += _no_files([entry for entry in entries if not entry.is_file()])
    forms = _open_forms(folder, names, out)
    for table, schema in table_schemas().items():
        here = [f"{table}{ending}" for ending in (".csv", ".xlsx") if f"{table}{ending}" in names]
        read = TableRead()
        if len(here) == 2:
            text = f"There is also {here[1]}: which of them holds is unknown. Move one away."
            out.findings.append(Finding(table, None, "", "", STOPS, text))
        elif here:
            out.files[table] = folder / here[0]
            if here[0].endswith(".xlsx"):
                out.names[table] = here[0]
                read = _read_workbook(folder / here[0], schema, out)
            else:
                read = read_table(folder / here[0], schema)
        if forms is not None and table in forms.sheets:
            read = _choose(table, read, _read_form(forms, schema), folder / FORMS, out)
        out.tables[table] = read.rows
        out.findings += read.findings
        if read.n_planned:
            rows = "1 row names" if read.n_planned == 1 else f"{read.n_planned} rows name"
            file = out.names.get(table, f"{table}.csv")
            out.notes.append(f"{file}: {rows} what is planned and not measured yet; not counted.")
    out.findings += _stray_files(names)
    return out


def _no_files(entries: list[Path]) -> list[Finding]:
    """What bears the name of a table and is no file; else the table would count as empty."""
    findings = []
    for entry in entries:
        stem, ending = os.path.splitext(entry.name)
        if ending not in (".csv", ".xlsx") or (stem not in table_schemas() and entry.name != FORMS):
            continue
        if entry.is_symlink() and not entry.exists():
            text = f"It is a link to {os.readlink(entry)}, and nothing is there. Mend the link."
        elif entry.is_dir():
            text = "It is a folder and no table. Put the file in its place, or rename the folder."
        else:
            text = "It is no file that can be read. Put the table in its place."
        findings.append(Finding(stem, None, "", "", STOPS, text, file=entry.name))
    return findings


def _open_elsewhere(names: list[str]) -> list[str]:
    """Notes on lock files: a spreadsheet program has the file open."""
    notes = []
    for name in names:
        if name.startswith("~$"):
            file = name[2:]
        elif name.startswith(".~lock.") and name.endswith("#"):
            file = name[7:-1]
        else:
            continue
        notes.append(
            f"{file} seems to be open in a spreadsheet program ({name}): what is not saved there "
            "is not read."
        )
    return notes


def _open_forms(folder: Path, names: list[str], out: FolderRead) -> Workbook | None:
    """The workbook of filled-in forms; its sheets that are not read are asked about."""
    if FORMS not in names:
        return None
    try:
        forms = open_workbook(folder / FORMS)
    except BadFile as error:
        out.findings.append(Finding("forms", None, "", "", STOPS, str(error), file=FORMS))
        return None
    known = table_schemas()
    for name in forms.sheets:
        if name in known or name in OTHER_SHEETS or _is_empty(forms, name):
            continue
        near = nearest(name, known)
        meant = f"If it is the table {near}, name it so. " if near else ""
        text = f"The sheet '{name}' is no table and is not read. {meant}Else leave it."
        out.findings.append(Finding("forms", None, "", name, QUESTIONS, text, file=FORMS))
    for name in forms.hidden:
        if name in known:
            text = f"The sheet '{name}' is hidden and is not read. Show it, or delete it."
            out.findings.append(Finding(name, None, "", name, QUESTIONS, text, file=FORMS))
    return forms


def _is_empty(book: Workbook, name: str) -> bool:
    try:
        book.read(name)
    except BadFile:
        return True
    return False


def _read_form(forms: Workbook, schema: TableSchema) -> TableRead:
    """One table of the forms; an empty sheet is an empty table."""
    file = f"{FORMS}, sheet {schema.name}"
    try:
        grid = forms.read(schema.name)
    except BadFile as error:
        return TableRead() if "is empty" in str(error) else unreadable(error, schema, file)
    return rows_of_grid(grid, schema, file)


def _choose(
    table: str, from_file: TableRead, from_form: TableRead, path: Path, out: FolderRead
) -> TableRead:
    """The table from its file or from the forms, whichever holds all there is."""
    name = f"{FORMS}, sheet {table}"
    if any(finding.severity == STOPS for finding in (*from_file.findings, *from_form.findings)):
        # Nothing is computed; both are named with all that is wrong in them. Of an empty file
        # the sheet's rows stand, or every id in other tables would seem unknown.
        if not from_file.rows and not from_file.findings:
            out.files[table], out.names[table] = path, name
            return from_form
        out.findings += from_form.findings
        return from_file
    if from_form.rows and not _holds(from_file, from_form):
        if from_file.rows and not _holds(from_form, from_file):
            file = out.names.get(table, f"{table}.csv")
            other = next(row for row in from_form.rows if not _holds_row(from_file, row))
            text = (
                f"The sheet and {file} both have rows, and they differ: which holds is unknown. "
                f"Row {other['row']} of the sheet stands otherwise, or not at all, in {file}. "
                "Bring all rows into one of them and delete those of the other, its header left."
            )
            out.findings.append(Finding(table, other["row"], "", "", STOPS, text, file=name))
            return from_file
        out.files[table], out.names[table] = path, name
        return from_form
    if table not in out.files or (not from_file.rows and from_form.n_planned):
        out.files[table], out.names[table] = path, name
        return from_form
    return from_file


def _holds(larger: TableRead, smaller: TableRead) -> bool:
    return set(map(_values, smaller.rows)) <= set(map(_values, larger.rows))


def _holds_row(read: TableRead, row: dict) -> bool:
    return _values(row) in set(map(_values, read.rows))


def _values(row: dict) -> tuple:
    return tuple(value for name, value in row.items() if name != "row")


def _read_workbook(path: Path, schema: TableSchema, out: FolderRead) -> TableRead:
    """The table in a workbook of its own: the sheet of its name, else the first one seen."""
    try:
        book = open_workbook(path)
        if not book.sheets:
            raise BadFile("All sheets are hidden. Show the one with the table.")
        name = schema.name if schema.name in book.sheets else book.sheets[0]
        grid = book.read(name)
    except BadFile as error:
        return unreadable(error, schema, path.name)
    others = [sheet for sheet in book.sheets if sheet != name and not _is_empty(book, sheet)]
    if others and name != schema.name:
        listed = ", ".join(f"'{sheet}'" for sheet in others)
        text = (
            f"Only the first sheet, '{name}', is read, not {listed}. Name the sheet to be read "
            f"{schema.name}, or take the others away."
        )
        out.findings.append(Finding(schema.name, None, "", "", QUESTIONS, text, file=path.name))
    if schema.name in book.hidden:
        text = f"The sheet '{schema.name}' is hidden and is not read. Show it, or delete it."
        out.findings.append(Finding(schema.name, None, "", "", QUESTIONS, text, file=path.name))
    return rows_of_grid(grid, schema, path.name)


def _stray_files(names: list[str]) -> list[Finding]:
    """Files that look like tables and are not read."""
    known = {f"{table}{ending}" for table in table_schemas() for ending in (".csv", ".xlsx")}
    findings = []
    for name in names:
        stem, ending = os.path.splitext(name)
        if name in known or name == FORMS or name.startswith((".", "~")):
            continue
        if ending.casefold() not in _TABLE_ENDINGS:
            continue
        near = nearest(stem, [*table_schemas(), "forms"])
        if not near:
            continue
        if near == "forms":
            text = (
                f"The file is not read. If it is the workbook of filled-in forms, name it {FORMS}."
            )
            findings.append(Finding("forms", None, "", name, QUESTIONS, text, file=name))
            continue
        text = (
            f"The file is not read. If it is the table {near}, name it {near}.csv or {near}.xlsx."
        )
        findings.append(Finding(near, None, "", name, QUESTIONS, text, file=name))
    return findings
