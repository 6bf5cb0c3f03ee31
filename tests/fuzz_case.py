"""Spoilt inputs for every reader, drawn by seed, and what no reader may do with them."""

import functools
import gzip
import io
import math
import re
import signal
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import polars as pl
from charscreen.arithmetic import ExpressionError, evaluate, parse_expression
from charscreen.findings import Finding
from charscreen.plan.conditions import ConditionError, read_condition
from charscreen.screen.config import load_config
from charscreen.screen.grids import BadFile
from charscreen.screen.schemas import table_schemas
from charscreen.screen.tables import read_table, rows_of_grid
from charscreen.screen.workbooks import open_workbook
from charscreen.traces.reading import TraceReader, read_trace
from tiny_screen import CONFIG, TABLES

LONGEST_S = 5
#: Cells that look like numbers to some reader and are none, and cells that are far out.
RUBBISH = [
    "1e400", "-1e400", "１２", "٣", "0x10", "0b1", "0o7", "nan", "NaN", "inf", "-Infinity",
    "1,234.5",
    "1.234,5", "1_000", "1 000", "1'000", "2024-01-01", "45000", "3/4", "1:30", "12:00:61", "1d5",
    "1e", "e5", ".", "-", "+-1", "--1", "1..2", "1.2.3", "1e5.5", "½", "²", "1²", "−5", "5-", "5%",
    "true", "yes", "null", "~", "=1+1", "=cmd|' /C calc'!A0", "#REF!", "#N/A", '"', '""', "'", "\\",
    "\x00", "\x0b", "\x1c", "\x85", "\u2028", "\ufeff", "\u202e", "\ud7ff", "😀", "9" * 400,
    "0." + "0" * 400 + "1", "1e-400", "-0", "00012", "{x}", "{{x}}", "*", "&a", "*a", "!!int 5",
    "<<",
    "../../etc/passwd", "/dev/zero", "a" * 2000, "(" * 60, "[" * 60, "{" * 60, "- " * 60, "",
]  # fmt: skip
_NUMBER = re.compile(r"[+-]?([0-9]+[.,]?[0-9]*|[.,][0-9]+)([eE][+-]?[0-9]+)?")
MAP = {"time": {"column": "time_s"}, "voltage": {"column": "voltage_V"},
        "current": {"column": "current_A"}}  # fmt: skip
NUMBERS = ["peak_temperature_C", "koh_ratio", "hold_min"]
WORDS = {"activation": ["none", "KOH"], "feedstock": ["husk", "peel"]}
EXPRESSIONS = ["a / b", "log(a) + 2 * max(a, b, 3)", "-(a ** 2) ** -b", "min(a, sqrt(b)) / 1e3"]
CONDITIONS = [
    "activation == KOH and peak_temperature_C > 750",
    "not (feedstock in [husk, peel] or koh_ratio <= 3.5)",
    "hold_min in [30, 60] and activation != 'none'",
]


class Hung(BaseException):
    """One input took longer than `LONGEST_S`."""


@contextmanager
def no_hang() -> Iterator[None]:
    """Raise `Hung` where the body works longer than `LONGEST_S`, or waits twelve times as long. [s]

    Work is the processor's time, so that a busy machine makes nothing hang.
    """

    def stop(*_):
        raise Hung(f"longer than {LONGEST_S} s")

    before = {name: signal.signal(name, stop) for name in (signal.SIGPROF, signal.SIGALRM)}
    signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
    signal.setitimer(signal.ITIMER_REAL, 12 * LONGEST_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
        for name, handler in before.items():
            signal.signal(name, handler)


def spoil_text(text: str, rng: np.random.Generator) -> str:
    """A text with one to four changes: pieces swapped, doubled, cut or made rubbish."""
    for _ in range(rng.integers(1, 5)):
        parts = re.split(r"([,;\t\n :()\[\]{}*/+-]+)", text)
        k = int(rng.integers(len(parts)))
        kind = rng.integers(8)
        if kind <= 3:
            parts[k] = str(rng.choice(RUBBISH))
        elif kind == 4:
            parts[k] += parts[k] * int(rng.integers(1, 40))
        elif kind == 5:
            parts = parts[:k] if rng.random() < 0.5 else parts[:k] + parts[k + 1 :]
        elif kind == 6:
            j = int(rng.integers(len(parts)))
            parts[k], parts[j] = parts[j], parts[k]
        else:
            parts.insert(
                k, str(rng.choice([*",;\t\n\r\"'.()[]{}*!&|>#%@`", "\r\n", " and ", "**"]))
            )
        text = "".join(parts)[:20_000]
    return text


def spoil_bytes(data: bytes, rng: np.random.Generator) -> bytes:
    """Bytes with one to eight of them changed, or a piece cut out, doubled or lost at the end."""
    out = bytearray(data)
    for _ in range(rng.integers(1, 9)):
        if not out:
            break
        k = int(rng.integers(len(out)))
        kind = rng.integers(6)
        if kind <= 2:
            out[k] = int(rng.integers(256))
        elif kind == 3:
            del out[k : k + int(rng.integers(1, 64))]
        elif kind == 4:
            out[k:k] = out[k : k + int(rng.integers(1, 64))]
        elif rng.random() < 0.3:
            del out[k:]
    return bytes(out)


def numbers_in(text: str) -> set[float]:
    """Every number that a cell of a text may honestly stand for, commas as decimal marks too."""
    found = set()
    blanks = r";\t\n\r\"\x0b\x0c\x1c-\x1e\x85\u2028\u2029 \xa0\ufeff\u200b\u202f\u2007\u2060"
    for separators in (f"[,{blanks}]+", f"[{blanks}]+"):
        for cell in re.split(separators, text.replace("\u2212", "-")):
            if _NUMBER.fullmatch(cell):
                found.add(float(cell.replace(",", ".")))
    return found


def check_rows(rows: list[dict], honest: set[float], schema) -> None:
    """Fail where a row holds a number that stands nowhere, or that is not finite."""
    for row in rows:
        for name, value in row.items():
            if name == "row" or not isinstance(value, float):
                continue
            assert math.isfinite(value), (name, value)
            assert value in honest or value == schema.columns[name].default, (name, value)


def check_findings(findings: list[Finding]) -> None:
    """Fail where a message is empty or spreads over lines."""
    for finding in findings:
        assert finding.message.strip()


def _table_csv(rng: np.random.Generator, folder: Path) -> None:
    name = str(rng.choice(list(TABLES)))
    schema = table_schemas()[name]
    text = spoil_text(TABLES[name], rng)
    path = folder / f"{name}.csv"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    read = read_table(path, schema)
    check_findings(read.findings)
    if not any(finding.severity == "stops" for finding in read.findings):
        check_rows(read.rows, numbers_in(text), schema)


def _sheet_xml(text: str, rng: np.random.Generator) -> str:
    rows = []
    for r, line in enumerate(text.splitlines(), start=1):
        cells = []
        for c, cell in enumerate(line.split(",")):
            place = f"{chr(65 + c % 26)}{r}"
            if rng.random() < 0.02:
                cell = str(rng.choice(RUBBISH))
            safe = re.sub(r"[^\t\n\r -\ud7ff\ue000-\ufffd]", "", cell).replace("&", "&amp;")
            safe = safe.replace("<", "&lt;")
            if _NUMBER.fullmatch(cell) and "," not in cell and rng.random() < 0.9:
                cells.append(f'<c r="{place}"><v>{safe}</v></c>')
            else:
                cells.append(f'<c r="{place}" t="inlineStr"><is><t>{safe}</t></is></c>')
        rows.append(f'<row r="{r}">{"".join(cells)}</row>')
    return "".join(rows)


def workbook(rows_xml: str, extra: str = "") -> bytes:
    """A workbook of one sheet from the XML of its rows and of what follows them."""
    from small_workbook import _BOOK, _RELS, _SHEET, _TYPES

    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("[Content_Types].xml", _TYPES)
        archive.writestr(
            "_rels/.rels", _RELS.format(kind="officeDocument", target="xl/workbook.xml")
        )
        archive.writestr("xl/workbook.xml", _BOOK)
        archive.writestr(
            "xl/_rels/workbook.xml.rels",
            _RELS.format(kind="worksheet", target="worksheets/sheet1.xml"),
        )
        sheet = _SHEET.format(rows=rows_xml).replace("</sheetData>", f"</sheetData>{extra}")
        archive.writestr("xl/worksheets/sheet1.xml", sheet)
    return buffer.getvalue()


def _table_xlsx(rng: np.random.Generator, folder: Path) -> None:
    name = str(rng.choice(list(TABLES)))
    schema = table_schemas()[name]
    xml = _sheet_xml(TABLES[name], rng)
    if rng.random() < 0.5:
        xml = spoil_bytes(xml.encode(), rng).decode("utf-8", "replace")
    data = workbook(xml)
    if rng.random() < 0.3:
        data = spoil_bytes(data, rng)
    path = folder / f"{name}.xlsx"
    path.write_bytes(data)
    try:
        book = open_workbook(path)
        for sheet in book.sheets:
            read = rows_of_grid(book.read(sheet), schema, path.name)
            check_findings(read.findings)
            for row in read.rows:
                for key, value in row.items():
                    assert not isinstance(value, float) or math.isfinite(value), (key, value)
    except BadFile:
        return


def _trace_rows(rng: np.random.Generator) -> list[tuple]:
    n = int(rng.integers(2, 40))
    volts = np.round(np.linspace(0.9, 0.1, n), 4)
    return [(float(k), float(v), -0.005) for k, v in enumerate(volts)]


def _trace_text(rng: np.random.Generator) -> str:
    rows = [",".join(f"{x:g}" for x in row) for row in _trace_rows(rng)]
    return "\n".join(["time_s,voltage_V,current_A", *rows, ""])


def _read_trace(path: Path, column_map: dict) -> object:
    return _check_trace(*read_trace(path, column_map))


def _check_trace(trace, findings: list[Finding]) -> object:
    check_findings(findings)
    if trace is None:
        assert any(finding.severity == "leaves out" for finding in findings)
    else:
        assert np.isfinite(trace.time_s).all()
        assert np.isfinite(trace.voltage_V).all()
    return trace


def _trace_delimited(rng: np.random.Generator, folder: Path) -> None:
    text = spoil_text(_trace_text(rng), rng)
    column_map = MAP | ({"decimal": ",", "delimiter": ";"} if rng.random() < 0.2 else {})
    if "decimal" in column_map:
        text = text.replace(",", ";").replace(".", ",")
    data = text.encode("utf-8", "surrogatepass")
    if rng.random() < 0.1:
        data = spoil_bytes(data, rng)
    check_trace_text(data, column_map, folder)


def check_trace_text(data: bytes, column_map: dict, folder: Path) -> None:
    """Read a trace as text and fail where a rule is broken."""
    text = data.decode("utf-8", "replace")
    path = folder / "trace.csv"
    path.write_bytes(data)
    trace = _read_trace(path, column_map)
    if trace is not None:
        honest = numbers_in(text)
        wrong = [volt for volt in trace.voltage_V.tolist() if volt not in honest]
        assert not wrong or "mV" in text, wrong


def _trace_gz(rng: np.random.Generator, folder: Path) -> None:
    packed = gzip.compress(spoil_text(_trace_text(rng), rng).encode("utf-8", "surrogatepass"), 1)
    path = folder / "trace.csv.gz"
    path.write_bytes(spoil_bytes(packed, rng) if rng.random() < 0.5 else packed)
    _read_trace(path, MAP)


def _trace_xlsx(rng: np.random.Generator, folder: Path) -> None:
    xml = _sheet_xml(_trace_text(rng), rng)
    if rng.random() < 0.5:
        xml = spoil_bytes(xml.encode(), rng).decode("utf-8", "replace")
    data = workbook(xml)
    path = folder / "trace.xlsx"
    path.write_bytes(spoil_bytes(data, rng) if rng.random() < 0.3 else data)
    _read_trace(path, MAP)


def _trace_parquet(rng: np.random.Generator, folder: Path) -> None:
    columns = dict(zip(("time_s", "voltage_V", "current_A"), zip(*_trace_rows(rng), strict=True),
                       strict=True))  # fmt: skip
    if rng.random() < 0.3:
        name = str(rng.choice(list(columns)))
        columns[name] = [str(rng.choice([str(x), *RUBBISH])) for x in columns[name]]
    buffer = io.BytesIO()
    pl.DataFrame(columns).write_parquet(buffer, compression="uncompressed")
    data = buffer.getvalue()
    path = folder / "trace.parquet"
    path.write_bytes(spoil_bytes(data, rng) if rng.random() < 0.7 else data)
    trace, findings, _ = _reader_of(folder).read(
        *(path.name, "map"),
        **{"user": "T", "kind": "x", "start_s": None, "end_s": None, "step": None, "cycle": None},
    )
    _check_trace(trace, findings)


@functools.cache
def _reader_of(folder: Path) -> TraceReader:
    """A reader for many files, as a job has it: it keeps its helper process."""
    return TraceReader(folder, [], {"map": MAP})


def _config(rng: np.random.Generator, folder: Path) -> None:
    path = folder / "config.yaml"
    text = spoil_text(CONFIG, rng)
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    config, findings = load_config(path)
    check_findings(findings)
    if findings:
        return
    honest = numbers_in(re.sub(r"[{}\[\]:]", " ", text))
    for value in (config["kiln"]["crucible_volume_mL"], config["kiln"]["max_temperature_C"]):
        assert value in honest, value


def _expression(rng: np.random.Generator, folder: Path) -> None:
    check_expression(spoil_text(str(rng.choice(EXPRESSIONS)), rng))


def check_expression(text: str) -> None:
    """Read an expression and fail where a rule is broken."""
    try:
        expression = parse_expression(text, ["a", "b"])
    except ExpressionError:
        return
    honest = numbers_in(re.sub(r"[()*/+,-]", " ", text)) | numbers_in(re.sub(r"[()*/,]", " ", text))
    honest |= {
        float(x) for x in re.findall(r"(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?", text)
    }
    for kind, value in expression.steps:
        assert kind != "number" or (math.isfinite(value) and value in honest), value
    value = evaluate(expression, {"a": np.array([1.0, -2.0]), "b": np.array([0.0, 3.0])})
    assert np.asarray(value).dtype == np.float64


def _condition(rng: np.random.Generator, folder: Path) -> None:
    check_condition(spoil_text(str(rng.choice(CONDITIONS)), rng)[:500])


def check_condition(text: str) -> None:
    """Read a condition and fail where a rule is broken."""
    try:
        condition = read_condition(text, numbers=NUMBERS, words=WORDS)
    except ConditionError:
        return
    assert not re.search(r"[^\x00-\x7f]", re.sub(r"'[^']*'|\"[^\"]*\"|\s", "", text)), text
    values = {name: np.array([30.0, np.nan, 800.0]) for name in NUMBERS}
    values |= {name: np.array([*words, None], dtype=object) for name, words in WORDS.items()}
    assert condition(values).dtype == bool


#: Name to a function that draws one spoilt input, reads it and fails where a rule is broken.
TARGETS: dict[str, Callable[[np.random.Generator, Path], None]] = {
    "table as CSV": _table_csv,
    "table as XLSX": _table_xlsx,
    "trace as text": _trace_delimited,
    "trace as gz": _trace_gz,
    "trace as XLSX": _trace_xlsx,
    "trace as Parquet": _trace_parquet,
    "settings": _config,
    "expression": _expression,
    "condition": _condition,
}


def try_one(target: str, seed: int, folder: Path) -> None:
    """Draw and read one input; any error that leaves the reader goes on to the caller."""
    with no_hang():
        TARGETS[target](np.random.default_rng([seed, list(TARGETS).index(target)]), folder)
