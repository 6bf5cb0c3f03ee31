"""What of a run of the demo is kept, without running it."""

import sys
from pathlib import Path

import pytest
from charscreen.demo import renew


@pytest.fixture
def project(tmp_path, monkeypatch):
    """A project with old results; the run of its demo writes a few new ones."""
    root = tmp_path / "project"
    for name in ("config/config.yaml", "results_demo/report.png", "results_demo/old.csv",
                 "results_demo/fit/old_model.json"):  # fmt: skip
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(name)
    calls = []

    def run(command, check, **settings):
        calls.append([str(part) for part in command])
        assert check
        if "snakemake" in calls[-1]:
            screen = Path(calls[-1][calls[-1].index("--directory") + 1])
            assert (screen / "config" / "config.yaml").read_text() == "config/config.yaml"
            for name in ("report.html", "collect/yields.csv", "collect/tests_000.parquet",
                         "fit/char_yield_model.json", "fit/char_yield_draws.parquet",
                         "rank/ranking.csv", "plan/run_sheets.pdf"):  # fmt: skip
                path = screen / "results" / name
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_text(f"new {name}")

    monkeypatch.setattr(renew, "ROOT", root)
    monkeypatch.setattr(renew.subprocess, "run", run)
    return root, calls


def test_only_what_is_to_be_kept_takes_the_place_of_the_old(project, monkeypatch, capsys):
    root, calls = project
    monkeypatch.setattr(renew.shutil, "which", lambda name: None)
    renew.renew()
    kept = root / "results_demo"
    assert {path.relative_to(kept).as_posix() for path in kept.rglob("*") if path.is_file()} == {
        "report.png", "report.html", "collect/yields.csv", "fit/char_yield_model.json",
        "rank/ranking.csv", "plan/run_sheets.pdf",
    }  # fmt: skip
    assert (kept / "report.html").read_text() == "new report.html"
    ((program, *words),) = calls
    assert program == sys.executable
    assert words[words.index("--snakefile") + 1] == str(root / "Snakefile")
    assert words[-1] == "all"
    assert "results_demo/report.png stays as it is" in capsys.readouterr().out


def test_the_report_is_photographed_where_a_browser_is(project, monkeypatch):
    root, calls = project
    monkeypatch.setattr(renew.shutil, "which", lambda name: "/usr/bin/chromium")
    renew.renew()
    program, *words = calls[-1]
    assert program == "/usr/bin/chromium"
    assert f"--screenshot={root / 'results_demo' / 'report.png'}" in words
    assert words[-1] == (root / "results_demo" / "report.html").as_uri()
