"""The lock of a run: one at a time, never left by a dead one, and steps that outlive theirs."""

import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest
from charscreen.job import disk_trouble
from charscreen.locking import BusyError, hold_run, hold_step

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"


def holder(folder: Path, call: str) -> subprocess.Popen:
    """Another process that takes a lock on a screen and keeps it."""
    code = f"""
        import sys, time
        sys.path.insert(0, {str(SCRIPTS)!r})
        from charscreen.locking import hold_run, hold_step
        held = {call}
        print("held", held is not None, flush=True)
        time.sleep(60)
    """
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(code)], cwd=folder, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout.readline() == "held True\n"
    return process


def left_behind(folder: Path) -> tuple[Path, Path]:
    """A mark of the engine and a file that was not finished."""
    mark = folder / ".snakemake" / "locks" / "0.input.lock"
    part = folder / "results" / "collect" / ".cells.csv.abc.part"
    for path in (mark, part):
        path.parent.mkdir(parents=True)
        path.write_text("x")
    return mark, part


def test_a_second_run_is_refused_and_changes_nothing(tmp_path):
    first = holder(tmp_path, 'hold_run(".", "results")')
    mark, part = left_behind(tmp_path)
    with pytest.raises(BusyError, match="Another run is at work on this screen"):
        hold_run(tmp_path, "results")
    assert mark.exists()
    assert part.exists()
    first.kill()
    first.wait()


def test_what_a_killed_run_left_is_cleared_away(tmp_path):
    first = holder(tmp_path, 'hold_run(".", "results")')
    mark, part = left_behind(tmp_path)
    whole = part.with_name("cells.csv")
    whole.write_text("cell\n")
    first.send_signal(signal.SIGKILL)
    first.wait()
    held = hold_run(tmp_path, "results")
    assert held is not None
    assert not mark.exists()
    assert not part.exists()
    assert whole.exists()
    os.close(held)


def test_steps_that_outlive_a_killed_run_are_waited_for(tmp_path):
    (tmp_path / ".snakemake").mkdir()
    step = holder(tmp_path, "hold_step()")
    said = []
    with pytest.raises(BusyError, match=r"still at work on this screen after 1 s"):
        hold_run(tmp_path, "results", wait_s=1, tell=said.append)
    assert said == ["Steps of a run that was cut off are still at work; waiting for them to end."]
    step.kill()
    step.wait()
    held = hold_run(tmp_path, "results", wait_s=0, tell=said.append)
    assert held is not None
    assert len(said) == 1
    os.close(held)


def test_steps_do_not_keep_each_other_out_and_need_no_run(tmp_path):
    assert hold_step(tmp_path) is None
    assert not (tmp_path / ".snakemake").exists()
    (tmp_path / ".snakemake").mkdir()
    handles = [hold_step(tmp_path), hold_step(tmp_path)]
    assert None not in handles
    for handle in handles:
        os.close(handle)


def test_results_that_cannot_be_written_are_told_by_their_folder(tmp_path, monkeypatch):
    def refuse(**_):
        raise OSError(30, "Read-only file system", "a name of no use")

    monkeypatch.setattr("tempfile.TemporaryFile", refuse)
    with pytest.raises(OSError, match="Read-only") as caught:
        hold_run(tmp_path, "results")
    assert caught.value.filename == str(tmp_path)


def test_a_full_disk_is_the_users_to_mend_and_a_fault_of_ours_is_not():
    said = disk_trouble(OSError(28, "No space left on device", "results/collect/cells.csv"))
    assert said.startswith(
        "1 problem with results/collect/cells.csv\n  It cannot be read or written"
    )
    assert "the disk is full" in said
    assert "Make room on it, then repeat the command" in said
    assert disk_trouble(OSError(2, "No such file or directory", "x")) is None
    assert disk_trouble(ValueError("x")) is None
