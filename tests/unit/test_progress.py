"""What a run says on the terminal."""

import importlib.util
import logging
from pathlib import Path
from types import SimpleNamespace

import pytest
from snakemake_interface_logger_plugins.common import LogEvent

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def package():
    path = ROOT / "workflow" / "progress" / "snakemake_logger_plugin_lab" / "__init__.py"
    spec = importlib.util.spec_from_file_location("lab_progress", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def handler(package):
    def make(**settings):
        common = SimpleNamespace(stdout=False, dryrun=False, verbose=False)
        common.__dict__.update(settings)
        return package.LogHandler(common, None)

    return make


def record(event, text="", level=logging.INFO, **fields):
    made = logging.LogRecord("snakemake", level, "", 0, text, (), None)
    made.__dict__.update(fields)
    if event is not None:
        made.event = event
    return made


def start(job, words, rule="fit_yield", **fields):
    return record(
        LogEvent.JOB_INFO,
        jobid=job,
        rule_msg=words,
        rule_name=rule,
        **{"input": [], "reason": "Forced execution", **fields},
    )


STATS = {"fit_yield": 1, "rank_candidates": 1, "report": 1, "total": 3}


def test_steps_are_counted_without_targets_and_the_pages_are_named(handler, capsys):
    shown = handler()
    shown.emit(record(LogEvent.RUN_INFO, "Job stats: ...", stats=STATS))
    shown.emit(start(3, "Fitting the yields"))
    shown.emit(record(LogEvent.JOB_FINISHED, "Finished", job_id=3))
    shown.emit(start(2, "Ranking the candidates"))
    shown.emit(record(LogEvent.JOB_FINISHED, "Finished", job_id=2))
    shown.emit(start(0, None, rule="report", input=["results/report.html", "results/a.csv"]))
    shown.emit(record(LogEvent.JOB_FINISHED, "Finished", job_id=0))
    shown.emit(record(None, "Complete log(s): somewhere"))
    shown.close()
    lines = capsys.readouterr().err.splitlines()
    assert lines[:2] == ["[1/2] Fitting the yields", "[2/2] Ranking the candidates"]
    assert lines[2].startswith("Done in ")
    assert lines[2].endswith("s. results/report.html")
    assert len(lines) == 3


def test_a_failure_is_one_block_with_the_log_and_what_is_kept(handler, capsys):
    shown = handler()
    shown.emit(record(LogEvent.RUN_INFO, stats=STATS))
    shown.emit(start(3, "Fitting the yields"))
    noise = "RuleException:\nCalledProcessError in file x, line 3"
    shown.emit(record(LogEvent.ERROR, noise, logging.ERROR, exception="RuleException"))
    shown.emit(
        record(
            LogEvent.JOB_ERROR,
            "Error in rule fit_yield",
            logging.ERROR,
            jobid=3,
            rule_name="fit_yield",
            log=["results/logs/fit_yield.log"],
        )
    )
    shown.emit(record(None, "Exiting because a job execution failed.", logging.ERROR))
    shown.close()
    said = capsys.readouterr().err
    assert "Failed: Fitting the yields\n  its log: results/logs/fit_yield.log" in said
    assert "0 of 2 steps are done and kept, 1 were not begun" in said
    assert "CalledProcessError" not in said
    assert "Exiting" not in said


def test_a_dry_run_says_what_would_run_and_why(handler, capsys):
    shown = handler(dryrun=True)
    shown.emit(record(LogEvent.RUN_INFO, stats=STATS))
    for reason in ("Params have changed since last execution", "Updated input files: a, b"):
        shown.emit(start(len(reason), "Fitting the yields", reason=reason))
    shown.emit(record(None, "This was a dry-run (flag -n). The order"))
    shown.close()
    assert capsys.readouterr().err.splitlines() == [
        "  Fitting the yields  (its rows or settings have changed)",
        "  Fitting the yields  (an input has changed)",
        "Nothing was run. A run would take these 2 steps.",
    ]


def test_other_errors_are_told_and_a_lock_is_explained(handler, capsys):
    shown = handler()
    error = {"level": logging.ERROR}
    shown.emit(record(LogEvent.ERROR, "LockException:\n...", exception="LockException", **error))
    missing = "MissingRuleException:\nNo rule to produce nonsense"
    shown.emit(record(LogEvent.ERROR, missing, exception="MissingRuleException", **error))
    shown.emit(record(None, "Something else is odd", logging.WARNING))
    said = capsys.readouterr().err
    assert "The screen is locked: another run is at work" in said
    assert "--unlock" in said
    assert "No rule to produce nonsense\n  Targets with a name: report, all" in said
    assert "Something else is odd" in said


def test_nothing_to_do_is_said(handler, capsys):
    shown = handler()
    shown.emit(record(None, "Nothing to be done (all requested files are present)."))
    shown.close()
    assert capsys.readouterr().err == "Nothing to do: every result is up to date.\n"


def test_every_target_of_the_graph_is_known(package):
    rules = (ROOT / "Snakefile").read_text()
    local = rules.split("localrules:", 1)[1]
    named = {line.strip(" ,") for line in local.splitlines() if line.strip()}
    assert named <= set(package._TARGETS)


def test_trouble_with_the_disk_is_told_without_the_engines_frames(handler, capsys):
    shown = handler()
    frames = (
        "RuleException:\nOSError in file x.smk, line 65:\n[Errno 28] No space left on device\n"
        '  File "tempfile.py", line 483, in func_wrapper'
    )
    shown.emit(record(LogEvent.ERROR, frames, logging.ERROR, exception="RuleException"))
    assert capsys.readouterr().err == (
        "The disk is full. Make room on it, then repeat the command: it goes on from here.\n"
        "  [Errno 28] No space left on device\n"
    )
