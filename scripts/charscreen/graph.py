"""What each rule of the graph is given: its rows, its traces, the code it hangs on.

Knows nothing of the workflow engine: it turns a checked screen into plain values.
"""

import ast
import zlib
from functools import cache
from pathlib import Path

SCRIPTS = Path(__file__).resolve().parent.parent
TESTS_PER_BATCH = 64
MODEL_NAMES = (
    "char_yield",
    "activation_yield",
    "overall_yield",
    "capacitance",
    "esr_area",
    "retention",
)
RANKED_MODELS = ("char_yield", "activation_yield", "capacitance")
MODEL_TABLES = (
    "effects",
    "variance",
    "means",
    "residuals",
    "groups",
    "influence",
    "checks",
    "alternatives",
    "budget",
    "effort",
)


def count_batches(n_tests: int) -> int:
    """Number of batches for so many tests: the power of two that keeps about 64 in each.

    A power of two, so that a growing screen changes the cut only when it doubles, and up to 16
    tests are one batch. Start-up then stays a small part of a batch's work.
    """
    if n_tests <= TESTS_PER_BATCH // 4:
        return 1
    batches = 2
    while batches * TESTS_PER_BATCH < n_tests:
        batches *= 2
    return batches


def batch_name(key: str, n_batches: int) -> str:
    """Batch of a firing: a stable hash of its id, so that new firings move no old one."""
    return f"{zlib.crc32(key.encode('utf-8')) % n_batches:03d}"


def cut_batches(tests: list[dict], cells: list[dict], design: list[dict]) -> dict[str, list[dict]]:
    """Tests sorted into batches by the firing their carbon came from.

    Parameters
    ----------
    tests, cells, design : list of dict
        Checked rows; every test's cell and every cell's run is known.

    Returns
    -------
    dict of str to list of dict
        Batch name to its tests, in the order of `tests`; no batch is empty.
    """
    firing_of_run = {row["run"]: row["firing"] for row in design}
    run_of_cell = {row["cell"]: row["run"] for row in cells}
    n_batches = count_batches(len(tests))
    batches: dict[str, list[dict]] = {}
    for test in tests:
        firing = firing_of_run[run_of_cell[test["cell"]]]
        batches.setdefault(batch_name(firing, n_batches), []).append(test)
    return dict(sorted(batches.items()))


def traces_of(tests: list[dict], folder: str = "config/traces") -> list[str]:
    """Trace files of tests, each once, sorted; paths relative to the screen."""
    return sorted({f"{folder}/{test['trace']}" for test in tests if test["trace"]})


def plain_rows(rows: list[dict]) -> list[dict]:
    """Rows without their place in the file, so that re-sorting a table reruns nothing."""
    return [{name: row[name] for name in row if name != "row"} for row in rows]


def rows_where(rows: list[dict], column: str, values: set[str]) -> list[dict]:
    """Rows whose column holds one of the values."""
    return [row for row in rows if row[column] in values]


def nitrogen_rich(feedstocks: list[dict], limit_percent: float) -> list[str]:
    """Names of the feedstocks whose nitrogen is above a limit (dry basis). [%]"""
    return [
        row["name"]
        for row in feedstocks
        if row["nitrogen_d_percent"] is not None and row["nitrogen_d_percent"] > limit_percent
    ]


def model_files(folder: str, model: str) -> dict[str, str]:
    """Result files of a fitted model: its tables, its description, its posterior draws.

    Parameters
    ----------
    folder : str
        Where they stand.
    model : str
        Name of the model, for example ``char_yield``.

    Returns
    -------
    dict of str to str
        ``<model>_<content>`` to path.
    """
    endings = {name: "csv" for name in MODEL_TABLES} | {"model": "json", "draws": "parquet"}
    return {f"{model}_{name}": f"{folder}/{model}_{name}.{end}" for name, end in endings.items()}


def figure_files(folder: str, merits: list[str]) -> dict[str, str]:
    """Pictures of a screen: one ranking per merit, then yields, farads, scatter and checks.

    Parameters
    ----------
    folder : str
        Where they stand.
    merits : list of str
        Merits that are ranked.

    Returns
    -------
    dict of str to str
        ``figure_<name>`` to path of its SVG.
    """
    names = [f"ranking_{merit}" for merit in merits]
    names += ["yields", "capacitances", "response", "scatter"]
    names += [f"checks_{model}" for model in MODEL_NAMES]
    return {f"figure_{name}": f"{folder}/{name}.svg" for name in names}


@cache
def _imports(path: Path) -> tuple[str, ...]:
    """Modules of the library that a file names in its imports, at the top or inside."""
    names = []
    package = path.parent.relative_to(SCRIPTS).parts
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parts = package[: len(package) - node.level + 1]
                base = ".".join([*parts, base] if base else parts)
            names.append(base)
            names += [f"{base}.{alias.name}" for alias in node.names]
    ours = [name.split(".") for name in names if name.split(".")[0] == "charscreen"]
    # Importing a.b.c runs a and a.b too.
    return tuple({".".join(parts[:n]) for parts in ours for n in range(1, len(parts) + 1)})


def _file_of(module: str) -> Path | None:
    path = SCRIPTS.joinpath(*module.split("."))
    for file in (path.with_suffix(".py"), path / "__init__.py"):
        if file.is_file():
            return file
    return None


@cache
def code_of(script: str) -> tuple[str, ...]:
    """Files of the library that a rule script hangs on, directly or through others.

    The engine sees an edit of the script itself but not of a module it imports; named as
    inputs, an edited module reruns exactly the rules that use it.

    Parameters
    ----------
    script : str
        Name of the script without ending.

    Returns
    -------
    tuple of str
        Absolute paths, sorted.
    """
    waiting = [SCRIPTS / f"{script}.py"]
    seen: set[Path] = set()
    while waiting:
        for module in _imports(waiting.pop()):
            file = _file_of(module)
            if file is not None and file not in seen:
                seen.add(file)
                waiting.append(file)
    return tuple(sorted(str(file) for file in seen))
