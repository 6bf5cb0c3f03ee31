"""Places that have to agree when something is added, as the how-tos of DEVELOPERS.md list them."""

import ast
import re
from pathlib import Path

import pytest
import report_case
from charscreen.capacitance.evaluate import ORDER
from charscreen.graph import MODEL_NAMES, figure_files
from charscreen.plots.figures import draw_figures
from charscreen.rank.merits import MeritSource
from charscreen.report.figure_text import captions
from charscreen.screen.schemas import config_schema, table_schemas
from charscreen.traces.maps import KEYS
from charscreen.units import FACTORS, parse_unit
from charscreen.words import FEED_COLUMNS, MERITS, METHODS
from rank_case import make_candidates, make_draws, make_models

ROOT = Path(__file__).resolve().parents[2]
LIBRARY = ROOT / "scripts" / "charscreen"
# Methods that tell how charge is lost: no cell takes its farads from them.
WITHOUT_FARADS = {"open_circuit", "held_voltage"}


def texts_in(path: Path) -> set[str]:
    """The texts that a module holds as values."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


@pytest.fixture(scope="module")
def named() -> set[str]:
    """Texts in scripts, library (without the demo) and rules."""
    found = set()
    for path in (ROOT / "scripts").rglob("*.py"):
        if LIBRARY / "demo" not in path.parents:
            found |= texts_in(path)
    for path in (ROOT / "workflow" / "rules").glob("*.smk"):
        found |= set(re.findall(r'"(\w+)"', path.read_text(encoding="utf-8")))
    return found


def test_a_column_is_used_unless_its_schema_says_not(named):
    """Weighings are found by their endings: the columns of masses, and gross and tare."""
    idle = {
        f"{table}.{name}"
        for table, schema in table_schemas().items()
        if table != "masses"
        for name, column in schema.columns.items()
        if column.used and not column.net and name not in named
    }
    assert idle == set()


def test_a_column_said_to_be_unused_is_in_no_model_and_no_expression():
    said = {
        name
        for schema in table_schemas().values()
        for name, column in schema.columns.items()
        if not column.used
    }
    assert said
    assert said.isdisjoint(FEED_COLUMNS)
    for path in (LIBRARY / "models").glob("*.py"):
        assert said.isdisjoint(texts_in(path)), path.name


def test_a_test_method_stands_in_every_list_of_them():
    choices = table_schemas()["tests"].columns["method"].choices
    assert sorted(choices) == sorted(ORDER) == sorted(METHODS)
    order = config_schema()["properties"]["capacitance"]["properties"]["method_order"]
    assert set(order["items"]["enum"]) == set(order["default"]) == set(choices) - WITHOUT_FARADS


def test_a_merit_is_worked_out_and_explained():
    source = MeritSource(make_candidates(), make_models(), make_draws(), seed=1)
    explained = config_schema()["properties"]["merits"]["description"]
    for merit in MERITS:
        assert source.quantity(merit).values.shape[1] == len(make_candidates())
        assert f"`{merit}`" in explained


def test_the_figures_drawn_are_those_asked_for_and_captioned():
    merits = report_case.CONFIG["merits"]
    asked = {name.removeprefix("figure_") for name in figure_files("", merits)}
    assert set(draw_figures(report_case.empty_inputs(), merits=merits)) == asked
    inputs = report_case.full_inputs()
    inputs["models"] = dict.fromkeys(MODEL_NAMES, inputs["models"]["capacitance"])
    assert set(captions(inputs, report_case.CONFIG)) == asked


def test_options_of_a_column_map_are_those_of_the_settings():
    options = config_schema()["properties"]["column_maps"]["additionalProperties"]["properties"]
    assert set(options) == set(KEYS)
    for quantity, factors in FACTORS.items():
        units = {
            unit: parse_unit(unit, quantity)
            for unit in options[quantity]["properties"]["unit"]["enum"]
        }
        assert set(units.values()) == set(factors)
        assert all(parse_unit(unit, quantity) == unit for unit in factors)
