"""Spoilt inputs: a bounded run for every reader, and those that once broke a rule.

`tests/bench/bench_fuzz.py` runs the same with as many inputs as it is told.
"""

import re

import pytest
from charscreen.plan.conditions import ConditionError, read_condition
from charscreen.screen.config import load_config
from charscreen.screen.schemas import table_schemas
from charscreen.screen.tables import rows_of_grid
from charscreen.screen.workbooks import open_workbook
from charscreen.traces.files import parse_number
from charscreen.traces.reading import read_trace
from fuzz_case import TARGETS, numbers_in, try_one, workbook

N_INPUTS = 150


@pytest.mark.parametrize("target", TARGETS)
def test_spoilt_inputs_give_messages_and_no_numbers(target, tmp_path):
    for seed in range(N_INPUTS):
        try_one(target, seed, tmp_path)


def test_the_oracle_knows_numbers_from_rubbish():
    assert numbers_in("1.5,0x10\n1_000;nan\t１２ 2e3") == {1.5, 2000.0}


@pytest.mark.parametrize("column", ["feed_ar_g", "run"])
def test_infinity_in_a_workbook_is_no_number(tmp_path, column):
    path = tmp_path / "masses.xlsx"
    head = "".join(
        f'<c r="{place}1" t="inlineStr"><is><t>{name}</t></is></c>'
        for place, name in (("A", "run"), ("B", "feed_ar_g"))
    )
    value = {"run": "<v>1</v>", "feed_ar_g": "<v>1</v>"} | {column: "<v>1e400</v>"}
    body = f'<c r="A2">{value["run"]}</c><c r="B2">{value["feed_ar_g"]}</c>'
    path.write_bytes(workbook(f'<row r="1">{head}</row><row r="2">{body}</row>'))
    book = open_workbook(path)
    read = rows_of_grid(book.read("data"), table_schemas()["masses"], path.name)
    found = [f for f in read.findings if (f.row, f.column) == (2, column)]
    assert len(found) == 1
    assert "too large for a number" in found[0].message


@pytest.mark.parametrize("text", ["１２", "1_000", "0x10", "1e", "1,234.5", "٣", "1 000"])
def test_no_number_of_a_trace_from_rubbish(text):
    assert parse_number(text) is None


@pytest.mark.parametrize("cell", ["1e400", "１２", "0x10", "1_000", "inf"])
def test_rubbish_in_a_trace_is_told_and_not_used(tmp_path, cell):
    path = tmp_path / "log.csv"
    rows = [f"{k},{0.9 - k / 1000}" for k in range(300)]
    rows[5] = f"5,{cell}"
    path.write_text("\n".join(["time_s,voltage_V", *rows, ""]))
    trace, findings = read_trace(path, {"time": {"column": "time_s"},
                                        "voltage": {"column": "voltage_V"}})  # fmt: skip
    assert 5.0 not in trace.time_s
    assert len(trace.time_s) == 299
    assert len(findings) == 1
    assert "row" in findings[0].message


@pytest.mark.parametrize(
    ("end", "says"),
    [
        ('300,"', ["The last line is cut off and was not used."]),
        ('300,0.5\n"', ["The last line is cut off and was not used."]),
        # Polars panicked; older versions take a lone mark for a blank line.
        ("\n" * 400 + '"', ["1 of 301 rows lack a value and were not used.", None]),
    ],
)
def test_a_log_that_ends_at_a_quotation_mark_is_read_up_to_it(tmp_path, end, says):
    path = tmp_path / "log.csv"
    rows = [f"{k},{0.9 - k / 1000}" for k in range(300)]
    path.write_text("\n".join(["time_s,voltage_V", *rows, end]))
    trace, findings = read_trace(path, {"time": {"column": "time_s"},
                                        "voltage": {"column": "voltage_V"}})  # fmt: skip
    whole = [0.9 - k / 1000 for k in range(300)] + [0.5] * ("0.5" in end)
    assert list(trace.voltage_V) == pytest.approx(whole)
    assert len(findings) <= 1
    assert (findings[0].message if findings else None) in says


@pytest.mark.parametrize(
    "text",
    ["(" * 400, "not " * 120 + "hold_min > 1", "hold_min > " + "9" * 400, "hold_min > １２"],
)
def test_conditions_without_end(text):
    with pytest.raises(ConditionError):
        read_condition(text, numbers=["hold_min"], words={})


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("seed: " + "9" * 40, "too large a number"),
        ("seed: " + "9" * 5000, "5000 digits"),
        ("seed: 1１", "number"),
        ("seed: !!int 5", "Tags are not read"),
        ("seed: !!bool maybe", "Tags are not read"),
        ("seed: !!timestamp x", "Tags are not read"),
        ("seed: " + "[" * 2000, "no valid YAML|within each other"),  # by the parser
        ("".join(" " * k + "a:\n" for k in range(100)), "within each other"),
        ("seed: 1e400", "no finite number"),
    ],
)
def test_settings_out_of_all_bounds(tmp_path, line, says):
    path = tmp_path / "config.yaml"
    path.write_text(f"title: x\n{line}\n", encoding="utf-8")
    _, findings = load_config(path)
    assert any(re.search(says, finding.message) for finding in findings)
