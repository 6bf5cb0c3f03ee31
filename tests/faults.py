"""Ways to disturb a run, and the ways to tell whether it did harm."""

import hashlib
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

from cell_models import cycle_rc
from clean_screen import CONFIG, clean_tables, write_clean_screen

ROOT = Path(__file__).resolve().parents[1]
# When and how, and how long, differ from run to run by design; so do the engine's own logs.
TIMED = ("logs/", "benchmarks/", "run.json")


def write_small_screen(folder: Path) -> None:
    """A screen of twelve lots that every step of the graph has something to do for."""
    settings = CONFIG + "seed: 7\nmodel: {draws: 1000}\nplan: {starts: 2}\n"
    write_clean_screen(folder, clean_tables(), config=settings)
    for n in range(1, 5):
        columns = cycle_rc(capacitance_F=0.2 + n / 50, upper_V=0.9, series_ohm=1.5, seed=n)
        rows = "".join(f"{t:g},{v:.6f},{i:g}\n" for t, v, i in zip(*columns, strict=True))
        trace = folder / "config" / "traces" / f"T{n}.csv"
        trace.write_text("time_s,voltage_V,current_A\n" + rows)


def start(folder: Path, *arguments: str, **how) -> subprocess.Popen:
    """A run of a screen in a process group of its own; errors go to its output.

    Parameters
    ----------
    folder : Path
        The screen.
    arguments : str
        For the command.
    how
        For `subprocess.Popen`.
    """
    paths = [str(ROOT / "workflow" / "progress"), os.environ.get("PYTHONPATH", "")]
    environment = os.environ | {
        "SNAKEMAKE_PROFILE": str(ROOT / "workflow" / "profiles" / "default"),
        "PYTHONPATH": os.pathsep.join(path for path in paths if path),
        "OPENBLAS_NUM_THREADS": "1",
    }
    command = (sys.executable, "-m", "snakemake", "--snakefile", str(ROOT / "Snakefile"))
    return subprocess.Popen(
        [*command, "--directory", str(folder), "--cores", "2", *arguments],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
        **how,
    )


def finish(folder: Path, *arguments: str, **how) -> tuple[int, str]:
    """Run a screen to its end: exit status and all it said."""
    run = start(folder, *arguments, **how)
    said, _ = run.communicate(timeout=3600)
    return run.returncode, said


def wind_back(folder: Path, moment_ns: int) -> None:
    """Take away what a finished run of a screen wrote after a moment, its engine's notes too.

    Parameters
    ----------
    folder : Path
        The screen. A folder that is one result goes or stays as a whole.
    moment_ns : int
        As `time.time_ns` counts. [ns]
    """
    for mark in sorted((folder / "results").rglob(".snakemake_timestamp")):
        if mark.stat().st_mtime_ns > moment_ns:
            shutil.rmtree(mark.parent)
    for part in (folder / "results", folder / ".snakemake" / "metadata"):
        for path in part.rglob("*"):
            if path.is_file() and path.stat().st_mtime_ns > moment_ns:
                path.unlink()


def disturb(run: subprocess.Popen, after_s: float, kind: str) -> bool:
    """Strike a run at a moment; False where it had ended before.

    Parameters
    ----------
    run : Popen
        From `start`.
    after_s : float
        How long it may work before. [s]
    kind : str
        ``group`` kills all its processes, ``engine`` the engine alone so that its steps go on,
        ``interrupt`` is Ctrl-C.
    """
    time.sleep(after_s)
    if run.poll() is not None:
        return False
    if kind == "engine":
        os.kill(run.pid, signal.SIGKILL)
        run.wait()
        return True  # its steps hold the pipe: nobody waits for them here
    os.killpg(run.pid, signal.SIGINT if kind == "interrupt" else signal.SIGKILL)
    run.communicate(timeout=120)
    return True


def content(folder: Path) -> dict[str, str]:
    """Digest of every file below a folder but those that tell times, by relative path."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_file() and not name.startswith(TIMED):
            found[name] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def inputs(folder: Path) -> dict[str, tuple[str, int]]:
    """Digest and time of every file of a screen's config/."""
    return {
        path.relative_to(folder).as_posix(): (
            hashlib.sha256(path.read_bytes()).hexdigest(),
            path.stat().st_mtime_ns,
        )
        for path in sorted((folder / "config").rglob("*"))
        if path.is_file()
    }


def spoilt(whole: dict[str, str], now: dict[str, str]) -> list[str]:
    """Files in a disturbed folder that are neither absent nor just what they are to be."""
    return sorted(name for name, value in now.items() if whole.get(name) != value)
