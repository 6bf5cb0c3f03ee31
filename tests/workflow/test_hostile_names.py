"""Names, notes and titles of any kind through the whole workflow: inert and legible everywhere."""

import csv
import html
import re
import shutil
import subprocess

import pytest
from charscreen.printing import can_print
from chromium import CHROMIUM, NO_CHROMIUM, Browser
from python_calamine import CalamineWorkbook
from tiny_screen import CONFIG, write_screen

HOSTILE = {
    "script": "<script>alert(1)</script>",
    "path": "../../x",
    "formula": "=cmd|' /C calc'!A0",
    "long": "x" * 300,
    "arabic": "بذور الزيتون",
    "emoji": "🌱 peel",
}


def _csv(head: str, rows: list[list]) -> str:
    lines = []
    writer = csv.writer(_Lines(lines), lineterminator="\n")
    writer.writerow(head.split(","))
    writer.writerows(rows)
    return "".join(lines)


class _Lines:
    def __init__(self, lines: list[str]):
        self.write = lines.append


@pytest.fixture(scope="module")
def screen(tmp_path_factory, screen_in):
    """Six feedstocks with such names, a lot of each in two firings, a cell of each lot."""
    folder = tmp_path_factory.mktemp("hostile") / "screen"
    runs = [
        (f"R{f}{k}", name, text, f"F{f + 1}", k + 1)
        for f in range(2)
        for k, (name, text) in enumerate(HOSTILE.items())
    ]
    title = (
        f"title: '{HOSTILE['script']} ../../x 🌱'\nquestion: '{HOSTILE['script']} {{{{ 7*7 }}}}'"
    )
    config = CONFIG.replace("title: Two wastes", title).replace("crucibles: 3", "crucibles: 6")
    write_screen(
        folder,
        config=config,
        feedstocks=_csv(
            "feedstock,name,moisture_ar_percent,ash_d_percent,note",
            [[name, text, 10, 4, text] for name, text in HOSTILE.items()],
        ),
        design=_csv(
            "run,role,feedstock,firing,crucible,peak_temperature_C,hold_min,activation,note,"
            "exclude_reason",
            [
                [run, "screen", name, firing, k, 600 if firing == "F1" else 700, 60, "none", text]
                + ([text] if run == "R15" else [""])
                for run, name, text, firing, k in runs
            ],
        ),
        firings=_csv(
            "firing,kind,date,peak_temperature_C,hold_min,note",
            [
                [f"F{k + 1}", "carbonise", f"2026-03-0{k + 2}", 600 + 100 * k, 60, text]
                for k, text in enumerate((HOSTILE["script"], HOSTILE["formula"]))
            ],
        ),
        firing_readings=None,
        masses=_csv(
            "run,feed_dry_g,char_g,balance,note",
            [[run, 45, 14 + 0.3 * k, "bench", text] for run, _, text, _, k in runs],
        ),
        cells=_csv(
            "cell,run,electrode_1_mg,electrode_2_mg,binder_percent,additive_percent,area_cm2,"
            "electrolyte,upper_voltage_V,note",
            [
                [f"C{run}", run, 6.0, 6.1, 10, 10, 1.13, text, 0.9, text]
                for run, _, text, _, _ in runs
            ],
        ),
        tests=_csv(
            "test,cell,method,capacitance_F,capacitance_F_se,note,exclude_reason",
            [
                [f"{t}{run}", f"C{run}", "direct", 0.2 + 0.02 * k, 0.005, text, out * text]
                for run, _, text, _, k in runs
                for t, out in (("T", 0), ("X", 1))
            ],
        ),
        readings=None,
    )
    found = screen_in(folder)
    found.must_run("all")
    return found


def test_names_are_shown_as_they_are_typed(screen):
    page = (screen.results / "report.html").read_text(encoding="utf-8")
    words = html.unescape(re.sub(r"<[^>]*>", " ", page)).replace("\xa0", " ")
    for text in HOSTILE.values():
        assert text in words
    assert "{{ 7*7 }}" in words
    assert "49" not in re.search(r'class="question">(.*?)</p>', page, re.DOTALL)[1]


def test_no_page_holds_a_script_that_came_from_a_table(screen):
    pages = sorted(screen.results.rglob("*.html"))
    assert len(pages) > 5
    for path in pages:
        text = path.read_text(encoding="utf-8")
        assert "<script>alert" not in text, path
        assert len(re.findall(r"<script\b", text)) == (path.name == "report.html"), path
    for path in screen.results.rglob("*.svg"):
        assert "<script" not in path.read_text(encoding="utf-8"), path


def test_files_have_plain_names_within_the_folder(screen):
    names = [path.relative_to(screen.folder).as_posix() for path in screen.folder.rglob("*")]
    made = [name for name in names if not name.startswith(".snakemake")]
    assert len(made) > 50
    assert [name for name in made if not re.fullmatch(r"[\w./-]+", name, re.ASCII)] == []
    assert not list(screen.folder.parent.glob("x*"))


def test_the_workbook_holds_text_and_no_formula(screen):
    path = screen.results / "tables.xlsx"
    folder = screen.folder.parent / "unpacked"
    shutil.unpack_archive(path, folder, format="zip")
    sheets = list(folder.glob("xl/worksheets/*.xml"))
    assert sheets
    for sheet in sheets:
        assert not re.search(r"<f\b|<hyperlink\b", sheet.read_text(encoding="utf-8"))
    book = CalamineWorkbook.from_path(path)
    found = {
        str(value)
        for name in book.sheet_names
        for row in book.get_sheet_by_name(name).to_python()
        for value in row
    }
    # Reasons of tests that are left out.
    for text in HOSTILE.values():
        assert any(text in value for value in found), text


@pytest.mark.skipif(not can_print(), reason="the libraries that lay out text are not installed")
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext (poppler-utils) is absent")
@pytest.mark.parametrize("name", ["report.pdf", "summary.pdf"])
def test_paper_holds_the_names(screen, name):
    path = screen.results / name
    done = subprocess.run(["pdftotext", str(path), "-"], capture_output=True, text=True, check=True)
    words = re.sub(r"\s+", "", done.stdout)
    assert re.sub(r"\s+", "", HOSTILE["script"]) in words
    if name == "report.pdf":
        assert "../../x" in words
        assert "x" * 100 in words
        assert b"/JavaScript" not in path.read_bytes()


@pytest.mark.skipif(CHROMIUM is None, reason=NO_CHROMIUM)
@pytest.mark.parametrize("width", [1280, 360])
def test_a_browser_runs_none_of_it_and_nothing_sticks_out(screen, width):
    with Browser() as browser:
        tab = browser.open(screen.results / "report.html", width=width)
        assert tab.complaints() == []
        root = "document.documentElement"
        assert tab.run(f"{root}.scrollWidth - {root}.clientWidth") == 0
        assert tab.run("document.querySelectorAll('script').length") == 1
        assert tab.run("document.title").startswith("<script>alert(1)</script>")
