"""The results of a screen, read back for figures and report."""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from charscreen.files import read_csv, read_json
from charscreen.graph import MODEL_NAMES, MODEL_TABLES, figure_files

NEXT_TABLES = ("design", "lots", "options")
COMPARISON_TABLES = ("groups", "front", "desirability", "sensitivity")


def read_models(paths: Mapping[str, str], models: Sequence[str] = MODEL_NAMES) -> dict[str, dict]:
    """Tables of all models.

    Parameters
    ----------
    paths : mapping of str to path
        ``<model>_<table>`` as `charscreen.graph.model_files` names them; anything with a
        ``get`` will do.
    models : sequence of str
        Those to read.

    Returns
    -------
    dict of str to dict
        Per model the DataFrames of `charscreen.graph.MODEL_TABLES` and the dict ``json``.
    """
    return {
        name: {table: read_csv(paths.get(f"{name}_{table}")) for table in MODEL_TABLES}
        | {"json": read_json(paths.get(f"{name}_model"))}
        for name in models
    }


def read_comparison(paths: Mapping[str, str]) -> dict:
    """What stands beside the ranking: `COMPARISON_TABLES` as DataFrames and the dict ``json``.

    Parameters
    ----------
    paths : mapping of str to path
        By table, and ``comparison``; anything with a ``get`` will do.
    """
    tables = {name: read_csv(paths.get(name)) for name in COMPARISON_TABLES}
    return tables | {"json": read_json(paths.get("comparison"))}


def read_next(paths: Mapping[str, str]) -> dict:
    """What to run next: `NEXT_TABLES` as DataFrames and the dict ``summary``.

    Parameters
    ----------
    paths : mapping of str to path
        ``next_<table>`` and ``next_summary``; anything with a ``get`` will do.
    """
    tables = {name: read_csv(paths.get(f"next_{name}")) for name in NEXT_TABLES}
    return tables | {"summary": read_json(paths.get("next_summary"))}


def read_figures(paths: Mapping[str, str], merits: Sequence[str]) -> dict[str, str]:
    """The figures as SVG texts by name.

    Parameters
    ----------
    paths : mapping of str to path
        As `charscreen.graph.figure_files` names them.
    merits : sequence of str
        Merits that are ranked.
    """
    return {
        key.removeprefix("figure_"): Path(paths[key]).read_text(encoding="utf-8")
        for key in figure_files("", merits)
    }


def read_sheets(folders: Iterable[str]) -> dict[str, tuple[str, str]]:
    """The sheets of traces: firing to path and SVG text.

    Parameters
    ----------
    folders : iterable of path
        One per batch, each with an SVG per firing.
    """
    return {
        path.stem: (str(path), path.read_text(encoding="utf-8"))
        for folder in folders
        for path in Path(folder).glob("*.svg")
    }
