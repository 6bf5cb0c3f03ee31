"""The frame of a script: its log, what the user is told, and what only the log is told."""

import errno
import logging
import os
import platform
import subprocess
import sys
import warnings
from pathlib import Path

import pytest
from charscreen import job as frame
from charscreen.findings import UserError


@pytest.fixture
def job(monkeypatch):
    """The frame without its lock; the logging of the tests is put back."""
    monkeypatch.setattr(frame, "hold_step", lambda: None)
    root = logging.getLogger()
    kept = root.handlers[:], root.level, logging.raiseExceptions
    yield frame.job
    for handler in root.handlers:
        handler.close()
    root.handlers[:], root.level, logging.raiseExceptions = kept
    logging.captureWarnings(False)


def test_what_is_told_stands_in_the_log_too(job, tmp_path, capsys):
    path = tmp_path / "logs" / "step.log"
    with job(str(path)) as log:
        log.info("reading %s", "masses")
        frame.tell("Two lots wait to be weighed.")
        warnings.warn("of a library", stacklevel=1)
    assert capsys.readouterr().out == "Two lots wait to be weighed.\n"
    text = path.read_text()
    assert "INFO charscreen: reading masses" in text
    assert "INFO charscreen: Two lots wait to be weighed." in text
    assert "of a library" in text


def test_a_mistake_of_the_user_is_told_without_traceback(job, tmp_path, capsys):
    with pytest.raises(SystemExit) as end, job(str(tmp_path / "step.log")):
        raise UserError("1 problem in config/masses.csv\n  row 4, column char_g: 'abc'")
    assert end.value.code == 1
    assert capsys.readouterr().err == (
        "\n1 problem in config/masses.csv\n  row 4, column char_g: 'abc'\n\n"
    )
    text = (tmp_path / "step.log").read_text()
    assert "row 4, column char_g: 'abc'" in text
    assert "Traceback" not in text


def test_a_fault_of_ours_is_one_line_and_a_traceback_in_the_log(job, tmp_path, capsys):
    with pytest.raises(SystemExit) as end, job(str(tmp_path / "step.log")):
        raise KeyError("lot")
    assert end.value.code == 1
    err = capsys.readouterr().err
    assert err.startswith("charscreen: KeyError: 'lot'\n")
    assert f"the details are in {tmp_path / 'step.log'}" in err
    assert "Traceback" not in err
    assert 'raise KeyError("lot")' in (tmp_path / "step.log").read_text()


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "the disk is full (No space left on device). Make room on it, then repeat"),
        (errno.EROFS, "the disk can only be read"),
        (errno.EACCES, "Give yourself the right to read and write there"),
        (errno.EIO, "See to the disk"),
    ],
)
def test_trouble_with_the_disk_is_told_with_its_remedy(job, tmp_path, capsys, number, words):
    with pytest.raises(SystemExit) as end, job(str(tmp_path / "step.log")):
        raise OSError(number, os.strerror(number), "results/fit/effects.csv")
    assert end.value.code == 1
    err = capsys.readouterr().err
    assert "1 problem with results/fit/effects.csv" in err
    assert words in err
    assert "Traceback" not in (tmp_path / "step.log").read_text()


def test_other_errors_are_no_trouble_with_the_disk():
    assert frame.disk_trouble(OSError(errno.ENOENT, "no such file")) is None
    assert frame.disk_trouble(ValueError("x")) is None
    assert "a file of the results" in frame.disk_trouble(OSError(errno.ENOSPC, "full"))


def test_a_log_that_cannot_be_opened_is_told(job, tmp_path, capsys):
    (tmp_path / "logs").write_text("a file where a folder should be")
    with pytest.raises(SystemExit) as end, job(str(tmp_path / "logs" / "step.log")):
        pytest.fail("the body must not run")
    assert end.value.code == 1
    assert "logs" in capsys.readouterr().err


FAULTS = """
import resource
import sys
import numpy as np
from charscreen.job import keep_freed_memory
if sys.argv[1] == "kept":
    keep_freed_memory()
for turn in range(50):
    if turn == 5:
        before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    arrays = [np.ones(250_000) for _ in range(6)]
    del arrays
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library")
def test_freed_memory_is_used_again():
    scripts = Path(frame.__file__).parents[1]
    faults = {}
    for how in ("kept", "given back"):
        call = [sys.executable, "-c", FAULTS, how]
        environment = {**os.environ, "PYTHONPATH": str(scripts)}
        run = subprocess.run(call, env=environment, capture_output=True, text=True, check=True)
        faults[how] = int(run.stdout)
    assert faults["kept"] < 0.1 * faults["given back"], faults
