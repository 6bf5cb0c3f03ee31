"""One sign a hundred thousand times over: no reader may take longer than five seconds over it.

Patterns that can part a run in many ways take time with its square; at this length that is minutes.
"""

import pytest
from charscreen.arithmetic import ExpressionError, parse_expression
from charscreen.plan.conditions import ConditionError, read_condition
from charscreen.screen.config import load_config
from charscreen.screen.schemas import table_schemas
from charscreen.screen.tables import read_table
from charscreen.traces.reading import read_trace
from charscreen.traces.suggest import suggest_column_map
from charscreen.traces.times import parse_times
from fuzz_case import EXPRESSIONS, MAP, no_hang
from tiny_screen import CONFIG, TABLES

LENGTH = 100_000
RUNS = ["1", "1.", ".", ",", " ", "\t", "(", "[", "<", ")", "a", "a ", "_", "-", "/", ":", "1:",
        "T", "1T", '"', "'", "#", "e", "1e", "{", "=", "\r", "\n", "0", "é"]  # fmt: skip
LINES = ["time_s,voltage_V,current_A", *(f"{k},{0.9 - k / 100:g},-0.005" for k in range(20))]


def with_run(line: int, place: str, run: str) -> str:
    """A record with a run of signs and an odd sign after it in a line of its own or in a cell."""
    long = (run * LENGTH)[:LENGTH] + "!"
    lines = list(LINES)
    if place == "cell":
        first, *rest = lines[line].split(",")
        lines[line] = ",".join([first, rest[0] + long, *rest[1:]])
    else:
        lines.insert(line, long)
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("run", RUNS)
def test_records_as_text(tmp_path, run):
    path = tmp_path / "log.csv"
    whitespace = MAP | {"delimiter": " "}
    for line, place in ((0, "line"), (0, "cell"), (9, "cell"), (20, "cell"), (20, "line")):
        text = with_run(line, place, run)
        for content, column_map in (
            (text, MAP),
            (text.replace(",", " "), whitespace),
            (text.replace(",", ";").replace(".", ","), MAP | {"decimal": ",", "delimiter": ";"}),
        ):
            path.write_text(content, encoding="utf-8", newline="")
            with no_hang():
                trace, findings = read_trace(path, column_map)
            assert trace is not None or findings
        path.write_text(text, encoding="utf-8", newline="")
        with no_hang():
            found, notes = suggest_column_map(path)
        assert found is not None or notes


@pytest.mark.parametrize("run", RUNS)
def test_times(run):
    long = (run * LENGTH)[:LENGTH]
    with no_hang():
        for text in (long, long + "!", "2024-01-01 10:00" + long, "10:00:" + long):
            _, wrong = parse_times(["2024-01-01 10:00:00", text])
    assert wrong is None or wrong == 1


@pytest.mark.parametrize("run", RUNS)
def test_tables_settings_and_expressions(tmp_path, run):
    long = (run * LENGTH)[:LENGTH]
    for name in ("design", "cells"):
        head, first, *rest = TABLES[name].splitlines()
        cells = first.split(",")
        for k in (0, 3, 5, len(cells) - 1):
            lines = [head, ",".join([*cells[:k], cells[k] + long + "!", *cells[k + 1 :]]), *rest]
            path = tmp_path / f"{name}.csv"
            path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="")
            with no_hang():
                read = read_table(path, table_schemas()[name])
            assert read.findings or read.rows
    path = tmp_path / "config.yaml"
    for line in (f"seed: {long}", f"title: x{long}!", f"results: {long}", long):
        path.write_text(f"{CONFIG}{line}\n", encoding="utf-8", newline="")
        with no_hang():
            config, findings = load_config(path)
        assert config or findings
    with no_hang():
        for text in (*(e + long for e in EXPRESSIONS), long):
            with pytest.raises(ExpressionError):
                parse_expression(text + "!", ["a", "b"])
        with pytest.raises(ConditionError):
            read_condition(f"hold_min > {long}!", numbers=["hold_min"], words={})
