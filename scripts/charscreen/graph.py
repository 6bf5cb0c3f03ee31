"""What each rule of the graph is given: its rows, its traces, the code it hangs on.

Knows nothing of the workflow engine: it turns a checked screen into plain values.
"""

import os
import re
import zlib
from functools import cache
from pathlib import Path

from charscreen.deviations import FIRING_QUANTITIES
from charscreen.models.names import MODEL_NAMES, YIELD_MODELS
from charscreen.screen.schemas import FOLDER, TABLE_NAMES
from charscreen.words import activation_words, feedstock_words

SCRIPTS = Path(__file__).resolve().parent.parent
# Over a second of work, a few times the start-up of a job; a large screen then has more batches
# than a machine has cores.
BATCH_BYTES = 128e6
ONE_BATCH_BYTES = 6e6  # under a job's own start-up: not worth a second job
PACKED_FACTOR = 4  # text packed as gz or XLSX holds about so many times its size
END_BYTES = 64 * 1024  # of a file's start and end that its fingerprint covers
TEST_BYTES = 100e3  # work per test beside the bytes of its trace
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
    "inference",
)
# Covariances and degrees of freedom are for programs, not for a spreadsheet.
WORKBOOK_MODEL_TABLES = tuple(name for name in MODEL_TABLES if name != "inference")


def count_batches(load_bytes: float) -> int:
    """Number of batches for so much work: one up to 6 MB, then two, then under 128 MB in each.

    A power of two, so that a growing screen changes the cut only when it doubles. Start-up
    then stays a small part of a batch's work, and one changed trace reruns few others.

    Parameters
    ----------
    load_bytes : float
        Text to read in all. [bytes]
    """
    if load_bytes <= ONE_BATCH_BYTES:
        return 1
    batches = 2
    while batches * BATCH_BYTES < load_bytes:
        batches *= 2
    return batches


def load_of(tests: list[dict], folder: str | Path = "config/traces") -> float:
    """Work that tests make, as bytes of text to read; each file counts once.

    Parameters
    ----------
    tests : list of dict
        Checked rows.
    folder : path-like
        Folder of the traces; a file that is not there counts nothing.
    """
    load = TEST_BYTES * len(tests)
    for name in {test["trace"] for test in tests if test["trace"]}:
        path = Path(folder, name)
        if path.is_file():
            is_packed = path.suffix.lower() in (".gz", ".xlsx", ".parquet")
            load += path.stat().st_size * (PACKED_FACTOR if is_packed else 1)
    return load


def batch_name(key: str, n_batches: int) -> str:
    """Batch of a firing: a stable hash of its id, so that new firings move no old one."""
    return f"{zlib.crc32(key.encode('utf-8')) % n_batches:03d}"


def cut_batches(
    tests: list[dict], cells: list[dict], design: list[dict], *, load_bytes: float
) -> dict[str, list[dict]]:
    """Tests sorted into batches by the firing their carbon came from.

    Parameters
    ----------
    tests, cells, design : list of dict
        Checked rows; every test's cell and every cell's run is known.
    load_bytes : float
        Work in all, see `load_of`. [bytes]

    Returns
    -------
    dict of str to list of dict
        Batch name to its tests, in the order of `tests`; no batch is empty.
    """
    firing_of_run = {row["run"]: row["firing"] for row in design}
    run_of_cell = {row["cell"]: row["run"] for row in cells}
    n_batches = count_batches(load_bytes)
    batches: dict[str, list[dict]] = {}
    for test in tests:
        firing = firing_of_run[run_of_cell[test["cell"]]]
        batches.setdefault(batch_name(firing, n_batches), []).append(test)
    return dict(sorted(batches.items()))


def traces_of(tests: list[dict], folder: str = "config/traces") -> list[str]:
    """Trace files of tests, each once, sorted; paths relative to the screen."""
    return sorted({f"{folder}/{test['trace']}" for test in tests if test["trace"]})


def fingerprints(paths: list[str]) -> list[str]:
    """Size and a checksum of both ends of each file, for changes that no clock tells.

    The engine goes by times: a file put in place of another with an older time, or edited while
    the clock stands back, would pass for unchanged.

    Parameters
    ----------
    paths : list of str
        Files; one that is not there gives an empty text.

    Returns
    -------
    list of str
        One for each file. Files up to 128 KiB are covered whole.
    """
    return [_fingerprint(path) for path in paths]


@cache
def _fingerprint(path: str) -> str:
    try:
        with open(path, "rb") as stream:
            size = os.fstat(stream.fileno()).st_size
            crc = zlib.crc32(stream.read(END_BYTES))
            if size > END_BYTES:
                stream.seek(max(END_BYTES, size - END_BYTES))
                crc = zlib.crc32(stream.read(), crc)
    except OSError:
        return ""
    return f"{size}:{crc:08x}"


def logs_of(firings: list[dict], folder: str = "config/traces") -> list[str]:
    """Kiln logs of firings, each once, sorted; paths relative to the screen."""
    return sorted({f"{folder}/{row['log']}" for row in firings if row["log"] and row["log_map"]})


def plain_rows(rows: list[dict]) -> list[dict]:
    """Rows without their place in the file, so that re-sorting a table reruns nothing."""
    return [{name: row[name] for name in row if name != "row"} for row in rows]


def rows_where(rows: list[dict], column: str, values: set[str]) -> list[dict]:
    """Rows whose column holds one of the values."""
    return [row for row in rows if row[column] in values]


def made_of(
    tests: list[dict], cells: list[dict], design: list[dict], names: dict[str, str]
) -> dict[str, list[str]]:
    """Firing, and what it was made of in words, of every cell that the tests name.

    Parameters
    ----------
    tests, cells, design : list of dict
        Checked rows.
    names : dict
        Feedstock id to name.
    """
    lots = {row["run"]: row for row in design}
    wanted = {test["cell"] for test in tests}
    found = {}
    for cell in cells:
        if cell["cell"] in wanted:
            lot = lots[cell["run"]]
            words = f"{feedstock_words(lot['feedstock'], names)}, {activation_words(lot)}"
            found[cell["cell"]] = [lot["firing"], words]
    return dict(sorted(found.items()))


def planned_firings(design: list[dict]) -> list[dict]:
    """What the design plans for each firing.

    Parameters
    ----------
    design : list of dict
        Rows of the design; all lots of a firing carry the same plan.

    Returns
    -------
    list of dict
        firing, kind and, where planned, `FIRING_QUANTITIES` [°C, min, °C/min], sorted by firing.
    """
    planned: dict[str, dict] = {}
    for row in design:
        columns = {
            ("firing", "carbonise"): FIRING_QUANTITIES,
            ("activation_firing", "activate"): (
                *("activation_temperature_C", "activation_hold_min"),
                None,
            ),
        }
        for (group, kind), sources in columns.items():
            firing = row.get(group)
            if firing is None or (kind == "carbonise" and row.get("parent")):
                continue
            entry = planned.setdefault(
                firing, {"firing": firing, "kind": kind} | dict.fromkeys(FIRING_QUANTITIES)
            )
            for name, source in zip(FIRING_QUANTITIES, sources, strict=True):
                if entry[name] is None and source is not None:
                    entry[name] = row.get(source)
    return [planned[firing] for firing in sorted(planned)]


def maps_with(column_maps: dict[str, dict], column: str) -> list[str]:
    """Names of the column maps that read a column: ``voltage`` or ``temperature``."""
    return sorted(name for name, layout in column_maps.items() if layout.get(column))


def table_schema_files() -> list[str]:
    """Files that describe the tables, those that the forms are made from."""
    return [str(FOLDER / f"{name}.yaml") for name in ("common", *TABLE_NAMES)]


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


#: Figures that no cell changes, which are drawn by themselves.
FIGURES_OF_YIELDS = ("figure_yields", *(f"figure_checks_{model}" for model in YIELD_MODELS))

HISTORY = "history"
_SNAPSHOT = re.compile(r"ranking_(\d{4}-\d{2}-\d{2})(?:_(\d+))?\.json")


def latest_snapshot(folder: str | Path = HISTORY) -> list[str]:
    """The newest kept ranking of a screen by date and number, as a list of one path or none.

    Parameters
    ----------
    folder : path-like
        The screen's folder of what was kept; it need not be there.
    """
    found = [
        (match[1], int(match[2] or 1), path)
        for path in Path(folder).glob("ranking_*.json")
        if (match := _SNAPSHOT.fullmatch(path.name))
    ]
    return [max(found)[2].as_posix()] if found else []


_FROM = re.compile(r"^[ \t]*from[ \t]+([.\w]+)[ \t]+import[ \t]+(?:\(([^)]*)\)|(.*))", re.M)
_IMPORT = re.compile(r"^[ \t]*import[ \t]+(.*)", re.M)


@cache
def _imports(path: Path) -> tuple[str, ...]:
    """Modules of the library that a file names in its imports, at the top or inside.

    Found as text: parsing a hundred files would take a third of a second at every start.
    """
    text = path.read_text(encoding="utf-8")
    package = path.parent.relative_to(SCRIPTS).parts
    names = [
        part.split()[0] for found in _IMPORT.findall(text) for part in found.split(",") if part
    ]
    for base, in_brackets, bare in _FROM.findall(text):
        dots = len(base) - len(base.lstrip("."))
        if dots:
            parts = package[: len(package) - dots + 1]
            base = ".".join([*parts, base[dots:]] if base[dots:] else parts)
        names.append(base)
        members = re.sub(r"#.*", "", in_brackets or bare).split(",")
        names += [f"{base}.{member.split()[0]}" for member in members if member.strip()]
    ours = [name.split(".") for name in names if name.split(".")[0] == "charscreen"]
    # Importing a.b.c runs a and a.b too.
    return tuple({".".join(parts[:n]) for parts in ours for n in range(1, len(parts) + 1)})


@cache
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
