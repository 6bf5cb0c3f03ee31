"""Files from others cannot run anything, read what is outside the screen, or fill the memory."""

import ast
import gzip
import io
import os
import re
import resource
import zipfile
from pathlib import Path

import pytest
from charscreen.archives import MAX_UNPACKED, Damaged, TooMuch, check_workbook
from charscreen.compare.screens import read_ranked_screen
from charscreen.findings import UserError
from charscreen.priors import read_priors
from charscreen.screen import ScreenError, open_screen
from charscreen.screen.check_cells import files_below
from charscreen.screen.config import load_config
from charscreen.screen.grids import BadFile
from charscreen.screen.schemas import table_schemas
from charscreen.screen.tables import rows_of_grid
from charscreen.screen.workbooks import open_workbook
from charscreen.traces.files import TraceFileError, read_bytes
from charscreen.traces.reading import read_trace
from fuzz_case import no_hang, workbook
from tiny_screen import write_screen

ROOT = Path(__file__).resolve().parents[2]
FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__", "breakpoint"}
FORBIDDEN_MODULES = {"pickle", "marshal", "shelve", "dill", "joblib", "socket", "ssl", "ftplib",
                     "http", "urllib", "requests", "telnetlib", "smtplib"}  # fmt: skip
FORBIDDEN_ATTRIBUTES = {"system", "popen", "read_pickle", "to_pickle", "unsafe_load", "full_load",
                        "read_sql", "getoutput", "getstatusoutput"}  # fmt: skip
SAFE_LOADERS = {"Loader", "_Loader"}
MAP = {"time": {"column": "time_s"}, "voltage": {"column": "voltage_V"}}


def faults_of(source: str) -> list[str]:
    """Names in a program that could run what a file says, or reach the network."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [a.name for a in node.names if a.name.split(".")[0] in FORBIDDEN_MODULES]
        elif isinstance(node, ast.ImportFrom):
            found += [node.module] * ((node.module or "").split(".")[0] in FORBIDDEN_MODULES)
        elif isinstance(node, ast.Call):
            name = node.func.id if isinstance(node.func, ast.Name) else ""
            part = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            owner = getattr(getattr(node.func, "value", None), "id", "")
            found += [name] * (name in FORBIDDEN_CALLS)
            found += [part] * (part in FORBIDDEN_ATTRIBUTES)
            found += ["eval"] * (part in ("eval", "exec"))
            if (owner, part) == ("yaml", "load"):
                names = {getattr(arg, "id", "") for arg in node.args[1:]}
                found += ["yaml.load"] * (not names & SAFE_LOADERS)
            for word in node.keywords:
                value = getattr(word.value, "value", None)
                found += [word.arg] * (word.arg in ("shell", "allow_pickle") and value is not False)
            if owner == "subprocess" and not (node.args and isinstance(node.args[0], ast.List)):
                found.append(f"subprocess.{part} without a list of words")
    return found


def test_the_walk_finds_what_it_looks_for():
    source = (
        "import pickle\nfrom urllib.request import urlopen\neval(x)\nos.system(x)\n"
        "yaml.load(x, yaml.Loader)\nrun(x, shell=True)\nnp.load(x, allow_pickle=True)\n"
        "subprocess.run(x)\ndf.eval(x)\n"
    )
    assert len(faults_of(source)) == 9


@pytest.mark.parametrize("folder", ["scripts", "workflow"])
def test_no_code_runs_what_a_file_says(folder):
    programs = sorted((ROOT / folder).rglob("*.py"))
    assert programs
    found = {
        str(path.relative_to(ROOT)): faults
        for path in programs
        if (faults := faults_of(path.read_text(encoding="utf-8")))
    }
    assert found == {}


def test_rules_run_scripts_only():
    files = [ROOT / "Snakefile", *sorted((ROOT / "workflow").rglob("*.smk"))]
    assert len(files) > 5
    for file in files:
        text = file.read_text(encoding="utf-8")
        assert not re.search(r"^\s*(shell|run)\s*:", text, re.M), file
        assert not re.search(r"\b(eval|exec|shell|pickle)\s*\(", text), file


def test_templates_escape_what_tables_say():
    pages = sorted((ROOT / "workflow" / "templates").glob("*.html.jinja"))
    assert pages
    makers = [
        path
        for path in (ROOT / "scripts").rglob("*.py")
        if "Environment(" in path.read_text(encoding="utf-8")
    ]
    assert makers
    for path in makers:
        assert "autoescape=True" in path.read_text(encoding="utf-8"), path


def test_references_of_yaml_are_refused_in_both_files(tmp_path):
    lines = ["a: &a [x, x, x, x, x, x, x, x, x]"]
    lines += [f"{chr(98 + k)}: &{chr(98 + k)} [{', '.join(['*' + chr(97 + k)] * 9)}]"
              for k in range(9)]  # fmt: skip
    path = tmp_path / "config.yaml"
    path.write_text("\n".join(lines))
    with no_hang():
        config, findings = load_config(path)
        priors, problems = read_priors(path)
    assert config == priors == {}
    for finding in (*findings, *problems):
        assert "References to other parts (*name) are not read" in finding.message


@pytest.mark.parametrize(
    ("content", "says"),
    [(b"a: " + b"[" * 900_000, "cannot be read|within each other"),  # by the parser
     (b"".join(b" " * k + b"a:\n" for k in range(400)), "within each other"),
     (b"#" * 1_000_001, "larger than 1 MB"),
     (b"char_yield: !!python/object:os.system x", "Tags are not read")],
)  # fmt: skip
def test_priors_are_bounded_as_the_settings_are(tmp_path, content, says):
    path = tmp_path / "priors.yaml"
    path.write_bytes(content)
    with no_hang():
        priors, problems = read_priors(path)
    assert priors == {}
    assert re.search(says, problems[0].message)


def _zip(parts: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return buffer.getvalue()


def test_zip_bomb_is_refused_in_bounded_memory():
    data = _zip({f"xl/media/{k}.bin": bytes(90_000_000) for k in range(5)})
    assert len(data) < 1_000_000
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(TooMuch, match="MB once unpacked"):
        check_workbook(data)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert (after - before) * 1024 < 2 * MAX_UNPACKED


def test_zip_bomb_that_lies_about_its_size():
    data = bytearray(_zip({"xl/a.bin": bytes(MAX_UNPACKED + 1_000_000)}))
    central = data.rindex(b"PK\x01\x02")
    data[central + 24 : central + 28] = (100).to_bytes(4, "little")
    assert zipfile.ZipFile(io.BytesIO(bytes(data))).infolist()[0].file_size == 100
    with pytest.raises(TooMuch, match="MB once unpacked"):
        check_workbook(bytes(data))


def test_too_many_parts_and_a_damaged_file():
    with pytest.raises(TooMuch, match="2001 parts"):
        check_workbook(_zip({f"{k}": b"" for k in range(2001)}))
    with pytest.raises(Damaged):
        check_workbook(b"PK\x03\x04 and no more")
    later = bytearray(_zip({"a": b""}))
    later[later.index(b"PK\x01\x02") + 6] = 99  # the version needed to unpack it
    with pytest.raises(Damaged, match="version"):
        check_workbook(bytes(later))


def test_workbooks_of_an_old_kind_are_named(tmp_path):
    path = tmp_path / "log.xls"
    path.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600))
    trace, findings = read_trace(path, MAP)
    assert trace is None
    assert "of an old kind, or one with a password" in findings[0].message


@pytest.mark.parametrize("coding", ["utf-8", "utf-16"])
def test_definitions_of_xml_are_refused(coding):
    text = '<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><workbook>&b;</workbook>'
    with pytest.raises(TooMuch, match="definitions of XML"):
        check_workbook(_zip({"xl/workbook.xml": text.encode(coding)}))


FAR = {
    "one cell in the far corner": '<row r="1"><c r="A1"><v>1</v></c></row>'
    '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>',
    "cells without places": "<row>"
    + "<c><v>1</v></c>" * 9000
    + "</row>"
    + "<row><c/></row>" * 9000,
    "with other quotation marks": "<row r='1048576'><c r = 'XFD1048576'><v>1</v></c></row>",
}


@pytest.mark.parametrize("case", FAR)
def test_a_sheet_of_too_large_an_area_is_refused(tmp_path, case):
    data = workbook(FAR[case])
    path = tmp_path / "tests.xlsx"
    path.write_bytes(data)
    with no_hang():
        with pytest.raises(BadFile, match="too large an area"):
            open_workbook(path)
        trace, findings = read_trace(path, MAP)
    assert trace is None
    assert "too large an area" in findings[0].message


def test_merged_cells_over_a_whole_sheet(tmp_path):
    merged = '<mergeCells count="1"><mergeCell ref="A1:XFD1048576"/></mergeCells>'
    path = tmp_path / "cells.xlsx"
    path.write_bytes(workbook('<row r="1"><c r="A1"><v>1</v></c></row>', merged))
    with no_hang(), pytest.raises(BadFile, match="are merged with others"):
        open_workbook(path).read("data")


def test_cells_that_are_never_closed_take_no_time(tmp_path):
    path = tmp_path / "cells.xlsx"
    path.write_bytes(workbook('<row r="1">' + '<c r="A1" t="e"><f>' * 60_000 + "</row>"))
    with no_hang():
        try:
            book = open_workbook(path)
            found = [book.read(name) for name in book.sheets]
        except BadFile as error:
            found = [str(error)]
    assert found


def test_formulas_and_links_are_read_as_saved_values(tmp_path):
    formula = '<c r="{}2"><f>{}</f>{}</c>'
    head = "".join(
        f'<c r="{place}1" t="inlineStr"><is><t>{name}</t></is></c>'
        for place, name in (("A", "run"), ("B", "feed_ar_g"), ("C", "char_g"))
    )
    row = '<c r="A2" t="inlineStr"><is><t>R01</t></is></c>'
    row += formula.format("B", "[1]other!A1*2", "<v>12.5</v>") + formula.format("C", "1+1", "")
    path = tmp_path / "masses.xlsx"
    path.write_bytes(workbook(f'<row r="1">{head}</row><row r="2">{row}</row>'))
    book = open_workbook(path)
    read = rows_of_grid(book.read("data"), table_schemas()["masses"], path.name)
    assert read.rows[0]["feed_ar_g"] == 12.5
    assert read.rows[0]["char_g"] is None
    assert any("result was not saved" in f.message for f in read.findings if f.column == "char_g")


def test_gz_bomb_is_refused_in_bounded_memory(tmp_path):
    path = tmp_path / "log.csv.gz"
    with gzip.open(path, "wb", compresslevel=9) as stream:
        for _ in range(30):
            stream.write(bytes(10_000_000))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with no_hang(), pytest.raises(TraceFileError, match="more than 100 MB"):
        read_bytes(path)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert (after - before) * 1024 < 300_000_000


def test_pipes_and_devices_are_not_opened(tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "zero.csv").symlink_to("/dev/zero")
    with no_hang():
        for name in ("pipe.csv", "zero.csv"):
            with pytest.raises(TraceFileError, match="no plain file"):
                read_bytes(tmp_path / name)
            assert load_config(tmp_path / name)[1][0].message.startswith("It is no file")
    assert "pipe.csv" not in files_below(tmp_path)


@pytest.mark.parametrize("name", ["cells.csv", "config.yaml", "priors.yaml"])
def test_a_pipe_in_place_of_a_table_stops(tmp_path, name):
    write_screen(tmp_path)
    path = tmp_path / "config" / name
    path.unlink(missing_ok=True)
    os.mkfifo(path)
    with no_hang(), pytest.raises(ScreenError, match=r"no file|no screen"):
        open_screen(tmp_path)


@pytest.mark.parametrize("trace", ["../config.yaml", "/etc/passwd", "a/../../x", "C:\\x", "~/x"])
def test_paths_out_of_the_traces_stop(tmp_path, trace):
    write_screen(tmp_path)
    table = tmp_path / "config" / "tests.csv"
    table.write_text(table.read_text().replace("T01.csv", trace))
    with pytest.raises(ScreenError, match="lies outside config/traces"):
        open_screen(tmp_path)


def test_links_out_of_the_traces_are_left_out(tmp_path):
    write_screen(tmp_path)
    traces = tmp_path / "config" / "traces"
    secret = tmp_path / "secret.csv"
    secret.write_text("a secret")
    (traces / "T01.csv").unlink(missing_ok=True)
    (traces / "T01.csv").symlink_to(secret)
    screen = open_screen(tmp_path)
    assert "T01" not in [row["test"] for row in screen.tables["tests"]]
    found = [finding for finding in screen.findings if finding.column == "trace"]
    assert any("leads out of config/traces" in finding.message for finding in found)
    assert not any("secret" in finding.message for finding in screen.findings)


def test_a_folder_that_is_a_link_out_of_the_traces_is_not_entered(tmp_path):
    write_screen(tmp_path)
    traces = tmp_path / "config" / "traces"
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "T01.csv").write_text("a secret")
    (traces / "link").symlink_to(tmp_path / "elsewhere")
    table = tmp_path / "config" / "tests.csv"
    table.write_text(table.read_text().replace("T01.csv", "link/T01.csv"))
    screen = open_screen(tmp_path)
    assert "T01" not in [row["test"] for row in screen.tables["tests"]]
    assert any(finding.column == "trace" for finding in screen.findings)
    assert not any("secret" in finding.message for finding in screen.findings)


@pytest.mark.parametrize("content", [b"", b"PAR1", b"PAR1" + bytes(40) + b"\x10\0\0\0PAR1"])
def test_damaged_draws_of_another_screen_are_told(tmp_path, content):
    write_screen(tmp_path)
    rank = tmp_path / "results" / "rank"
    rank.mkdir(parents=True)
    (rank / "ranking.csv").write_text("candidate\n")
    (rank / "draws.parquet").write_bytes(content)
    with pytest.raises(UserError, match=r"draws\.parquet cannot be read"):
        read_ranked_screen(tmp_path, label="A")


def test_links_within_the_traces_are_followed(tmp_path):
    (tmp_path / "a.csv").write_text("x")
    (tmp_path / "b.csv").symlink_to("a.csv")
    assert files_below(tmp_path) == {"a.csv": "", "b.csv": ""}


@pytest.mark.parametrize(
    "folder", ["../out", "/tmp/out", "a/../b", ".git", "config", "Config/x", "scripts",
               "history", "workflow/x", "results\n", "a b", "$HOME", "a" * 300]
)  # fmt: skip
def test_results_stay_in_the_screen(tmp_path, folder):
    write_screen(tmp_path)
    with pytest.raises(ScreenError, match="results"):
        open_screen(tmp_path, {"results": folder})
