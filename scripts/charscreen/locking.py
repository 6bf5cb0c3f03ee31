"""One run at a time on a screen, and none that waits for a dead one: locks the system lets go.

The workflow engine marks a screen as locked by files of its own. They stay where a run was killed
and would need a command to take them away. Here the running process holds an advisory lock, which
the system releases with the process however it ends. Who gets that lock is alone, so that marks of
the engine found then are left from a run that was cut off.
"""

import fcntl
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

FOLDER = ".snakemake"  # the engine's own folder in a screen
RUN_LOCK = "charscreen_run.lock"
STEPS_LOCK = "charscreen_steps.lock"
ENGINE_LOCKS = "locks"
WAIT_S = 600.0
PART_PATTERN = ".*.part"  # names of files and folders that are not whole yet

BUSY = (
    "Another run is at work on this screen. Wait until it has ended, then repeat the command.\n"
    "  Nothing was changed by this one."
)
STEPS_BUSY = (
    "Steps of a run that was cut off are still at work on this screen after {wait:.0f} s.\n"
    "  Wait until they have ended, or end them, then repeat the command."
)


class BusyError(Exception):
    """The screen is taken; the text is ready to print."""


def hold_run(
    screen: str | os.PathLike,
    results: str | os.PathLike,
    *,
    wait_s: float = WAIT_S,
    tell: Callable[[str], None] = print,
) -> int | None:
    """Take the screen for this process and clear away what a killed run left.

    Parameters
    ----------
    screen : path-like
        The screen's folder.
    results : path-like
        Folder of the results, relative to the screen or absolute.
    wait_s : float
        How long to wait for steps that outlived a killed run. [s]
    tell : callable
        Says something to the user.

    Returns
    -------
    int or None
        The open file that carries the lock: it is held until the process ends. None where the
        file system knows no locks; the engine's own marks then rule alone.

    Raises
    ------
    BusyError
        Where another run holds the screen, or steps of a killed one do not end.
    OSError
        Where the screen's folder or that of the results cannot be written.

    Notes
    -----
    A step of a killed run that is still in its first instant (it takes its own lock once it has
    loaded) can be missed; a new run needs longer than that to come here.
    """
    folder = Path(screen, FOLDER)
    folder.mkdir(exist_ok=True)
    held = _take(folder / RUN_LOCK, fcntl.LOCK_EX)
    if held is False:
        raise BusyError(BUSY)
    if held is None:
        return None
    try:
        _wait_for_steps(folder / STEPS_LOCK, wait_s, tell)
    except BusyError:
        os.close(held)
        raise
    _check_writable(Path(screen, results))
    marks = folder / ENGINE_LOCKS
    if any(marks.glob("*.lock")):
        for mark in marks.glob("*.lock"):
            mark.unlink(missing_ok=True)
        remove_parts(Path(screen, results))
    return held


def hold_step(screen: str | os.PathLike = ".") -> int | None:
    """Mark this process as a step at work, until it ends.

    Parameters
    ----------
    screen : path-like
        The screen's folder.

    Returns
    -------
    int or None
        The open file that carries the lock; None where there is no run's folder or no lock.
    """
    folder = Path(screen, FOLDER)
    if not folder.is_dir():
        return None
    try:
        return _take(folder / STEPS_LOCK, fcntl.LOCK_SH) or None
    except OSError:
        return None  # a full or read-only disk is told by what the step writes


def remove_parts(folder: Path) -> None:
    """Remove files and folders that a killed step began and did not finish."""
    for part in sorted(folder.rglob(PART_PATTERN)):
        if part.is_dir():
            shutil.rmtree(part, ignore_errors=True)
        else:
            part.unlink(missing_ok=True)


def _check_writable(folder: Path) -> None:
    """Write a file for a moment, in the folder or the nearest one above it; OSError names it."""
    there = next(path for path in (folder, *folder.absolute().parents) if path.is_dir())
    try:
        with tempfile.TemporaryFile(dir=there):
            pass
    except OSError as error:
        raise OSError(error.errno, error.strerror, os.fspath(there)) from error


def _wait_for_steps(path: Path, wait_s: float, tell: Callable[[str], None]) -> None:
    """Return once no step holds its lock."""
    end = time.monotonic() + wait_s
    told = False
    while (free := _take(path, fcntl.LOCK_EX)) is False:
        if time.monotonic() >= end:
            raise BusyError(STEPS_BUSY.format(wait=wait_s))
        if not told:
            tell("Steps of a run that was cut off are still at work; waiting for them to end.")
            told = True
        time.sleep(0.2)
    if free is not None:
        os.close(free)


def _take(path: Path, kind: int) -> int | bool | None:
    """The open file with the lock; False where others hold it, None where locks are unknown."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    try:
        fcntl.flock(handle, kind | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        return False
    except OSError:
        os.close(handle)
        return None
    return handle
