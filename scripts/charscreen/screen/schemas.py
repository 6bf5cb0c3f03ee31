"""What the tables and the settings may hold, read from workflow/schemas/."""

import functools
import re
from dataclasses import dataclass, field
from pathlib import Path

import yaml

FOLDER = Path(__file__).resolve().parents[3] / "workflow" / "schemas"
ID_PATTERN = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
TABLE_NAMES = (
    "feedstocks",
    "design",
    "firings",
    "firing_readings",
    "masses",
    "cells",
    "tests",
    "readings",
)
TYPES = ("id", "text", "number", "integer", "choice", "date", "file")
_Loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Name in the header; ends in its unit.
    type : str
        One of `TYPES`.
    description : str
        What it means.
    unit : str
        Unit of a number; empty otherwise.
    required : bool
        Whether the column and each of its cells must be there.
    minimum, maximum, above, below : float or None
        Hard limits (`above` and `below` exclude the limit itself): a value outside is impossible.
    plausible : tuple of float, or None
        A value outside is questioned.
    questions_in : tuple of float, or None
        A value strictly inside is questioned: a fraction where percent are meant.
    choices : tuple of str
        The values of a choice.
    refers_to : str
        ``table.column`` whose ids it names; empty otherwise.
    default : str or None
        Value of an empty cell.
    instead : tuple of str
        Two columns that may stand in its place: gross and tare (or collector).
    net : str
        For such a column: the column whose place it takes.
    used : bool
        False where the use comes in a later version.
    example : str
        A good value.
    hint : str
        What to think of where a value is questioned.
    """

    name: str
    type: str
    description: str
    unit: str = ""
    required: bool = False
    minimum: float | None = None
    maximum: float | None = None
    above: float | None = None
    below: float | None = None
    plausible: tuple[float, float] | None = None
    questions_in: tuple[float, float] | None = None
    choices: tuple[str, ...] = ()
    refers_to: str = ""
    default: str | None = None
    instead: tuple[str, ...] = ()
    net: str = ""
    used: bool = True
    example: str = ""
    hint: str = ""

    @property
    def is_number(self) -> bool:
        """Whether its cells become numbers."""
        return self.type in ("number", "integer")


@dataclass(frozen=True)
class TableSchema:
    """One table: what it is called, its rows and its columns.

    Parameters
    ----------
    name : str
        Name of the table and of its file without ending.
    one_row_per : str
        What a row stands for.
    description : str
        A paragraph for the guide.
    key : str
        Column whose ids are unique; empty where rows have no id.
    order_by : tuple of str
        Columns its rows are sorted by.
    columns : dict of str to Column
        In the order of the header.
    planned_by : tuple of str
        A row in which only these (and ``note``) are filled is a form's that nobody filled in yet.
    """

    name: str
    one_row_per: str
    description: str
    key: str
    order_by: tuple[str, ...]
    columns: dict[str, Column] = field(default_factory=dict)
    planned_by: tuple[str, ...] = ()


def _column(name: str, raw: dict) -> Column:
    values = dict(raw)
    values.pop("weighed", None)
    for pair in ("plausible", "questions_in"):
        if pair in values:
            low, high = values[pair]
            values[pair] = (float(low), float(high))
    for words in ("choices", "instead"):
        if words in values:
            values[words] = tuple(values[words])
    if "example" in values:
        values["example"] = str(values["example"])
    column = Column(name=name, **values)
    if column.type not in TYPES:
        raise ValueError(f"column {name}: type {column.type} is unknown")
    return column


def _weighed(name: str, raw: dict) -> dict[str, dict]:
    """The column itself and the two that may stand in its place."""
    if "weighed" not in raw:
        return {name: raw}
    stem, unit = name.rsplit("_", 1)
    parts = [f"{stem}_{part}_{unit}" for part in raw["weighed"]]
    shared = {"type": "number", "unit": raw["unit"], "net": name}
    words = {
        "gross": (0, "Gross weighing in place of `{}`."),
        "tare": (0, "Weighing of the empty vessel in place of `{}`."),
        "collector": (0, "Collector alone in place of `{}`."),
    }
    columns = {name: raw | {"instead": parts}}
    for part, column in zip(raw["weighed"], parts, strict=True):
        low, text = words[part]
        limit = {"above": low} if part == "gross" else {"minimum": low}
        columns[column] = shared | limit | {"description": text.format(name)}
    return columns


def load_yaml(path: Path) -> dict:
    """Plain data of one of our own YAML files; dates stay text."""
    return yaml.load(path.read_text(encoding="utf-8"), _Loader)


@functools.cache
def table_schemas() -> dict[str, TableSchema]:
    """All table schemas by name, in the order of `TABLE_NAMES`.

    Returns
    -------
    dict of str to TableSchema
        Read once; the frozen schemas can be shared.
    """
    common = load_yaml(FOLDER / "common.yaml")
    schemas = {}
    for name in TABLE_NAMES:
        raw = load_yaml(FOLDER / f"{name}.yaml")
        columns: dict[str, dict] = {}
        for column, facts in raw["columns"].items():
            columns |= _weighed(column, facts)
        columns |= {column: common[column] for column in raw["common"]}
        key = raw.get("key", "")
        schemas[name] = TableSchema(
            name=name,
            one_row_per=raw["one_row_per"],
            description=raw["description"],
            key=key,
            order_by=tuple(raw.get("order_by", [key])),
            columns={column: _column(column, facts) for column, facts in columns.items()},
            planned_by=tuple(raw.get("planned_by", [])),
        )
    return schemas


@functools.cache
def config_schema() -> dict:
    """JSON Schema of config.yaml, as plain data. Not to be changed by the caller."""
    return load_yaml(FOLDER / "config.schema.yaml")


def quality_keys() -> dict[str, dict]:
    """Keys of a plan's quality.json, each with ``meaning`` and, where it has one, ``unit``."""
    return load_yaml(FOLDER / "quality.yaml")
