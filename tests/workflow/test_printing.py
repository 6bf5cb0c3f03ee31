"""Printing as a user meets it: with the library that lays out text, and without it."""

import pytest
from charscreen.printing import NO_PDF, can_print

# Runs before anything else in each Python of the run: as if the library were not installed.
WITHOUT = """
import ctypes

class CDLL(ctypes.CDLL):
    def __init__(self, name, *args, **kwargs):
        if "pango" in str(name):
            raise OSError(f"{name}: cannot open shared object file")
        super().__init__(name, *args, **kwargs)

ctypes.CDLL = CDLL
"""


@pytest.fixture
def no_library(tmp_path, monkeypatch):
    folder = tmp_path / "without"
    folder.mkdir()
    (folder / "sitecustomize.py").write_text(WITHOUT, encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(folder))
    return folder


def test_without_the_library_all_but_the_pdf_is_made(empty_screen, no_library, monkeypatch):
    planned = empty_screen.planned("all")
    assert planned["tell_no_pdf"] == 1
    assert planned["print_sheets"] == planned["print_report"] == 0
    assert planned["write_workbook"] == planned["render_report"] == 1

    done = empty_screen.must_run("plan")
    assert NO_PDF in done.stdout
    assert (empty_screen.results / "logs/no_pdf.txt").read_text(encoding="utf-8").strip() == NO_PDF
    assert (empty_screen.results / "plan/shopping_list.html").is_file()
    assert (empty_screen.results / "plan/cell_sheets").is_dir()
    assert not list(empty_screen.results.rglob("*.pdf"))

    asked = empty_screen.run("results/plan/run_sheets.pdf")
    assert asked.returncode == 1
    assert NO_PDF in asked.stdout + asked.stderr
    assert "Traceback" not in asked.stdout + asked.stderr
    assert not list(empty_screen.results.rglob("*.pdf"))

    if can_print():
        # Once it is there, the next run prints, and nothing else is done again.
        monkeypatch.delenv("PYTHONPATH")
        assert empty_screen.planned("plan") == {"print_sheets": 2}
        empty_screen.must_run("plan")
        assert (empty_screen.results / "plan/run_sheets.pdf").read_bytes().startswith(b"%PDF-")
        assert empty_screen.planned("plan") == {}
