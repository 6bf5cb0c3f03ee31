"""A run that is cut off, crowded or starved: no harm done, and the next one goes on by itself.

`tests/bench/bench_faults.py` strikes at many more moments and fills disks of many sizes.
"""

import csv
import os
import resource
import shutil
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest
from charscreen.provenance import digest
from faults import ROOT, content, disturb, finish, inputs, spoilt, start, write_small_screen

rng = np.random.default_rng(20260309)


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> dict[str, str]:
    """Digests of the results of an undisturbed run of collect, whose steps are of every kind."""
    folder = tmp_path_factory.mktemp("whole")
    shutil.copytree(ROOT / "config", folder / "config")
    status, said = finish(folder, "collect")
    assert status == 0, said
    return content(folder / "results")


@pytest.fixture
def screen(tmp_path):
    """The demo screen before its first run."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    return tmp_path


def must_resume(folder, whole):
    status, said = finish(folder, "collect")
    assert status == 0, said
    assert "unlock" not in said
    assert content(folder / "results") == whole


@pytest.mark.parametrize(
    ("kind", "after_s"),
    [(kind, rng.uniform(2, 10)) for kind in ("group", "engine", "interrupt")],
)
def test_a_run_that_was_cut_off_goes_on_by_itself(screen, whole, kind, after_s):
    before = inputs(screen)
    disturb(start(screen, "collect"), after_s, kind)
    # Names that begin with a point and end in .part are no results yet.
    assert [n for n in spoilt(whole, content(screen / "results")) if ".part" not in n] == []
    must_resume(screen, whole)
    assert inputs(screen) == before
    assert list((screen / "results").rglob(".*.part")) == []


def test_a_second_run_is_refused_in_one_sentence_and_the_first_ends_well(screen, whole):
    first = start(screen, "collect")
    deadline = time.monotonic() + 60
    while not (screen / "results" / "logs").exists() and time.monotonic() < deadline:
        time.sleep(0.1)
    status, said = finish(screen, "collect")
    assert status == 1
    assert "Another run is at work on this screen." in said
    assert "Traceback" not in said
    dry, words = finish(screen, "-n", "plan")
    assert dry == 0, words
    said, _ = first.communicate(timeout=600)
    assert first.returncode == 0, said
    assert content(screen / "results") == whole


def test_a_disk_that_is_full_is_told_and_leaves_no_half_file(screen, whole):
    def small_files_only():
        resource.setrlimit(resource.RLIMIT_FSIZE, (70_000, 70_000))

    status, said = finish(screen, "collect", preexec_fn=small_files_only)
    assert status == 1
    # Whether the engine or a step meets the limit first hangs on the sizes of their files.
    assert "would be larger than is allowed here" in said
    assert "fault of the program" not in said
    assert "Traceback" not in said
    assert spoilt(whole, content(screen / "results")) == []
    must_resume(screen, whole)


@pytest.fixture
def read_only(tmp_path):
    """A small screen whose folder of results can only be read."""
    write_small_screen(tmp_path)
    results = tmp_path / "results"
    results.mkdir()
    if os.geteuid() != 0:
        results.chmod(0o555)
        yield tmp_path
        results.chmod(0o755)
        return
    # Modes do not bind the system's owner; a file system mounted so does.
    mount = ["mount", "-t", "tmpfs", "-o", "ro,size=1m", "tmpfs", str(results)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("a file system cannot be mounted here")
    yield tmp_path
    subprocess.run(["umount", str(results)], check=True)


def test_results_that_can_only_be_read_are_told_and_nothing_is_begun(read_only):
    before = inputs(read_only)
    status, said = finish(read_only, "collect")
    assert status == 1
    assert "can only be read" in said or "that is not permitted" in said
    assert "repeat the command" in said
    assert "Traceback" not in said
    assert content(read_only / "results") == {}
    assert inputs(read_only) == before


def change_first(table: Path, column: str, factor: float) -> None:
    """Multiply the first number of a column."""
    with table.open(encoding="utf-8", newline="") as stream:
        head, *rows = csv.reader(stream)
    place = head.index(column)
    row = next(row for row in rows if row[place])
    row[place] = f"{float(row[place]) * factor:.2f}"
    with table.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([head, *rows])


@pytest.mark.slow
def test_a_table_edited_during_a_run_waits_for_the_next(demo_copy):
    table = demo_copy.config / "masses.csv"
    shutil.rmtree(demo_copy.results / "rank")
    run = start(demo_copy.folder, "all")
    log = demo_copy.results / "logs" / "rank_candidates.log"
    began = log.stat().st_mtime_ns
    deadline = time.monotonic() + 60
    while log.stat().st_mtime_ns == began and time.monotonic() < deadline:
        time.sleep(0.05)
    change_first(table, "char_g", 1.01)
    said, _ = run.communicate(timeout=600)
    assert run.returncode == 0, said
    # This run's report names the table that it read.
    page = (demo_copy.results / "report.html").read_text(encoding="utf-8")
    assert digest(table)[:12] not in page
    assert demo_copy.planned("all")["compute_yields"] == 1
    demo_copy.must_run("all")
    page = (demo_copy.results / "report.html").read_text(encoding="utf-8")
    assert digest(table)[:12] in page
    assert not demo_copy.planned("all")


@pytest.mark.slow
def test_times_in_the_future_and_the_past_hide_no_change(demo_copy):
    trace = sorted((demo_copy.config / "traces").glob("T*.csv"))[0]
    old = time.time() - 3e8
    trace.write_text("".join(trace.read_text().splitlines(keepends=True)[:-1]))
    os.utime(trace, (old, old))
    assert demo_copy.planned("report")["reduce_traces"] == 1
    demo_copy.must_run("all")
    assert not demo_copy.planned("all")
    # A clock that was set back: results seem to come from the future.
    for path in demo_copy.results.rglob("*"):
        os.utime(path, (time.time() + 1e6,) * 2)
    demo_copy.edit("masses", lambda lines: lines[:-1])
    assert demo_copy.planned("report")["compute_yields"] == 1
