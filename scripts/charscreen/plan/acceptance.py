"""Taking a plan over as the screen's design, without losing anything that was measured."""

import os
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from charscreen.files import write_bytes
from charscreen.findings import STOPS, UserError, render
from charscreen.screen.config import load_config
from charscreen.screen.folder import read_tables
from charscreen.screen.parsing import plain_number
from charscreen.screen.schemas import table_schemas
from charscreen.screen.tables import read_table

# Lines of differences shown before the rest is only counted.
_LINES = 12


class AcceptError(UserError):
    """A plan that is not taken over; the text is ready to print, nothing was written."""


@dataclass(frozen=True)
class Differences:
    """How a plan differs from the design in place.

    Parameters
    ----------
    new, gone : list of str
        Runs only in the plan, only in the design.
    changed : dict of str to list of str
        Runs in both whose rows differ, with ``column old → new`` for each difference.
    """

    new: list[str] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)
    changed: dict[str, list[str]] = field(default_factory=dict)

    @property
    def loses(self) -> list[str]:
        """Runs whose row in the design would change or vanish."""
        return [*self.gone, *self.changed]

    def lines(self, runs: Iterable[str] | None = None) -> list[str]:
        """One line for each run that would change or vanish, the first of many."""
        wanted = self.loses if runs is None else list(runs)
        lines = [
            f"  {run}: {', '.join(self.changed[run])}" if run in self.changed else f"  {run}: gone"
            for run in wanted
        ]
        rest = len(lines) - _LINES
        return [*lines[:_LINES], f"  and {rest} more"] if rest > 0 else lines


def accept_plan(folder: str | os.PathLike, *, replace: bool = False) -> list[str]:
    """Copy a screen's plan to its design table.

    Parameters
    ----------
    folder : path-like
        The screen's folder.
    replace : bool
        Take the plan over even where it changes or drops lots of the design that were not
        measured yet; the old file goes to ``history/`` first.

    Returns
    -------
    list of str
        What was done, in lines to print.

    Raises
    ------
    AcceptError
        Where there is no plan or nothing in it, where a table cannot be read, where a measured
        lot would change or vanish, or where others would and `replace` is not set.
    """
    folder = Path(folder)
    plan_path = folder / config_of(folder)["results"] / "plan" / "design.csv"
    planned = read_proposed(plan_path, folder, target="plan", what="plan")
    design_path, tables = read_what_is_there(folder)
    differences = compare(tables["design"], planned)
    measured = measured_runs(tables["design"], tables["masses"], tables["cells"])
    lost = [run for run in differences.loses if run in measured]
    if lost:
        raise AcceptError(
            f"config/design.csv stays as it is: the plan would change or drop "
            f"{_count(lost, 'lot')} already measured (in masses or cells).\n"
            + "\n".join(differences.lines(lost))
            + "\nA design keeps the lots it was measured with. To complete it with further lots, "
            "write keep: true under plan and plan again."
        )
    if not differences.loses and not differences.new:
        return ["config/design.csv holds this plan already; nothing was written."]
    if differences.loses and not replace:
        raise AcceptError(
            f"config/design.csv stays as it is: the plan would change or drop "
            f"{_count(differences.loses, 'lot')} of it, none measured yet.\n"
            + "\n".join(differences.lines())
            + "\nTo take the plan over all the same, add --replace; the old file is then kept in "
            "history/."
        )
    done = []
    try:
        if differences.loses:
            kept = free_name(folder / "history", "design")
            write_bytes(kept, design_path.read_bytes())
            done.append(f"The old design is kept as {kept.relative_to(folder)}.")
        write_bytes(design_path, plan_path.read_bytes())
    except OSError as error:
        raise AcceptError(
            f"{error.filename or design_path} cannot be written ({error.strerror or error}); "
            "config/design.csv is as it was."
        ) from None
    unchanged = len(planned) - len(differences.new) - len(differences.changed)
    done.append(
        f"config/design.csv now holds the plan: {_count(planned, 'lot')} "
        f"({len(differences.new)} new, {len(differences.changed)} changed, {unchanged} as before, "
        f"{len(differences.gone)} gone)."
    )
    return done


def compare(design: list[dict], planned: list[dict]) -> Differences:
    """How planned rows differ from a design's, by run.

    Parameters
    ----------
    design, planned : list of dict
        Rows of the design table as `tables.read_table` gives them; ``row`` does not count.
    """
    before = {row["run"]: row for row in design}
    after = {row["run"]: row for row in planned}
    changed = {}
    for run, row in before.items():
        if run not in after:
            continue
        texts = [
            f"{name} {_show(value)} → {_show(after[run].get(name))}"
            for name, value in row.items()
            if name != "row" and value != after[run].get(name)
        ]
        if texts:
            changed[run] = texts
    return Differences(
        new=[run for run in after if run not in before],
        gone=[run for run in before if run not in after],
        changed=changed,
    )


def read_plan(path: str | os.PathLike) -> list[dict]:
    """Rows of a plan's design, parsed like those of the design table.

    Parameters
    ----------
    path : path-like
        A plan's design.csv.
    """
    return read_table(Path(path), table_schemas()["design"]).rows


def describe_differences(
    design: list[dict], planned: list[dict], measured: Collection[str] = ()
) -> str:
    """How a plan differs from the design in place, as a few lines.

    Parameters
    ----------
    design, planned : list of dict
        Rows of the design table.
    measured : collection of str
        Runs that something was measured on: they cannot be changed by accepting the plan.
    """
    if not design:
        return (
            "No design has been accepted yet. To take this plan over: "
            "sh scripts/with_env.sh python scripts/accept_plan.py"
        )
    if not planned:
        return "The plan has no lots; the design stays as it is."
    differences = compare(design, planned)
    if not differences.loses and not differences.new:
        return "The plan is the design that was accepted."
    same = len(planned) - len(differences.new) - len(differences.changed)
    lines = [
        f"Against the design that was accepted: {_count(differences.new, 'new row')}, "
        f"{len(differences.changed)} changed, {len(differences.gone)} dropped, {same} as before.",
        *differences.lines(),
    ]
    lost = [run for run in differences.loses if run in measured]
    if lost:
        lines.append(
            f"{_count(lost, 'row')} of those changed or dropped hold measurements: accept_plan "
            "will refuse. Write keep: true under plan to complete the plan around them."
        )
    return "\n".join(lines)


def measured_runs(design: list[dict], masses: list[dict], cells: list[dict]) -> set[str]:
    """Runs that something was measured on, the parents of measured aliquots included.

    Parameters
    ----------
    design, masses, cells : list of dict
        Rows of these tables. A row of masses counts where it holds any number.
    """
    measured = {row["run"] for row in cells}
    measured |= {
        row["run"]
        for row in masses
        if any(isinstance(value, float) for name, value in row.items() if name != "row")
    }
    parent = {row["run"]: row["parent"] for row in design if row["parent"] is not None}
    for run in list(measured):
        while run in parent and parent[run] not in measured:
            run = parent[run]
            measured.add(run)
    return measured


def read_what_is_there(folder: Path) -> tuple[Path, dict[str, list[dict]]]:
    """Where the design of a screen stands, and its tables.

    Raises
    ------
    AcceptError
        Where the design is no CSV file, or one of the tables that tell what was measured cannot
        be read.
    """
    design_path = folder / "config" / "design.csv"
    read = read_tables(folder / "config")
    in_the_way = read.files.get("design")
    if in_the_way is not None and in_the_way != design_path:
        raise AcceptError(
            f"The design of this screen is config/{in_the_way.name}; beside it a design.csv would "
            "not be read. Save it as design.csv, or move it away, then accept the plan."
        )
    needed = ("design", "firings", "masses", "cells")
    stops = [f for f in read.findings if f.severity == STOPS and f.table in needed]
    if stops:
        raise AcceptError(
            "What was measured cannot be told before this is put right:\n"
            + render(stops, str(folder / "config"))
        )
    return design_path, read.tables


def config_of(folder: Path) -> dict:
    """Settings of a screen; an `AcceptError` where there is none or they cannot be read."""
    config_path = folder / "config" / "config.yaml"
    if not config_path.is_file():
        raise AcceptError(
            f"{folder} is no screen: it has no config/config.yaml. Name the folder of a screen."
        )
    config, findings = load_config(config_path)
    if findings:
        raise AcceptError(render(findings, str(folder / "config")))
    return config


def read_proposed(path: Path, folder: Path, *, target: str, what: str) -> list[dict]:
    """Rows of a design that a target made; an `AcceptError` where there are none.

    Parameters
    ----------
    path, folder : Path
        The file, and the folder of the screen.
    target : str
        What makes it: ``plan`` or ``next``.
    what : str
        What it is called: ``plan`` or ``proposal``.
    """
    where = path.relative_to(folder)
    again = f"Make one with: sh scripts/with_env.sh snakemake {target}"
    if folder.resolve() != Path.cwd().resolve():
        again += f" --directory {folder}"
    if not path.is_file():
        raise AcceptError(f"There is no {what} yet ({where} is absent). {again}")
    read = read_table(path, table_schemas()["design"])
    planned, stops = read.rows, [f for f in read.findings if f.severity == STOPS]
    if stops:
        raise AcceptError(f"{render(stops, str(path.parent))}\n{again}")
    if not planned:
        raise AcceptError(f"{where} has no lots: there is nothing to accept.")
    return planned


def free_name(history: Path, table: str) -> Path:
    """First name in the history that is not taken."""
    number = 1
    while (path := history / f"{table}_{number}.csv").exists():
        number += 1
    return path


def count_lots(things: Sequence) -> str:
    """`1 lot`, `3 lots`."""
    return _count(list(things), "lot")


def _count(things: Mapping | list, word: str) -> str:
    return f"{len(things)} {word}" if len(things) == 1 else f"{len(things)} {word}s"


def _show(value: object) -> str:
    if value is None:
        return "(empty)"
    return plain_number(value) if isinstance(value, float) else str(value)
