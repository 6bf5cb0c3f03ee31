"""Running the graph as a user does, in a folder of its own."""

import fcntl
import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
import yaml

ROOT = Path(__file__).resolve().parents[2]


class Screen:
    """A screen in a temporary folder and the ways to run it."""

    def __init__(self, folder: Path, root: Path = ROOT):
        self.folder = folder
        self.root = root

    @property
    def config(self) -> Path:
        return self.folder / "config"

    @property
    def results(self) -> Path:
        return self.folder / "results"

    def run(self, *arguments: str, plain: bool = False) -> subprocess.CompletedProcess:
        """Run snakemake on this screen; output and errors come back as text.

        `plain` leaves the words to the engine, where the project has its own (workflow/progress).
        """
        profile = self.root / "workflow" / "profiles" / "default"
        if plain:
            profile = _without_logger(profile, self.folder.parent / "plain_profile")
        paths = [str(self.root / "workflow" / "progress"), os.environ.get("PYTHONPATH", "")]
        return subprocess.run(
            [
                *(sys.executable, "-m", "snakemake", "--snakefile", str(self.root / "Snakefile")),
                *("--directory", str(self.folder), "--cores", "2"),
                *arguments,
            ],
            cwd=self.root,
            env=os.environ
            | {
                "SNAKEMAKE_PROFILE": str(profile),
                "PYTHONPATH": os.pathsep.join(path for path in paths if path),
            },
            capture_output=True,
            text=True,
            timeout=3600,  # a guard against a hang; a busy machine may take half an hour
        )

    def must_run(self, *arguments: str, plain: bool = False) -> subprocess.CompletedProcess:
        done = self.run(*arguments, plain=plain)
        assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-4000:]
        return done

    def planned(self, *arguments: str) -> Counter:
        """How often each rule would run, by a dry run."""
        done = self.must_run("-n", *arguments, plain=True)
        text = done.stdout + done.stderr
        if "Nothing to be done" in text:
            return Counter()
        # The table of job statistics: a rule and how often it would run.
        table = text.split("Job stats:", 1)[1].split("total", 1)[0]
        counts = Counter(
            {name: int(n) for name, n in re.findall(r"^(\w+)\s+(\d+)\s*$", table, re.M)}
        )
        assert counts, text
        for target in ("report", "all", "collect", "fit", "rank", "plan", "next"):
            del counts[target]
        return counts

    def edit(self, table: str, change) -> None:
        """Change a table as text, line by line: `change` takes and returns the lines."""
        path = self.config / f"{table}.csv"
        path.write_text("\n".join(change(path.read_text().splitlines())) + "\n")


def _without_logger(profile: Path, folder: Path) -> Path:
    """The profile with everything but its logger."""
    settings = yaml.safe_load((profile / "config.yaml").read_text())
    del settings["logger"]
    folder.mkdir(exist_ok=True)
    (folder / "config.yaml").write_text(yaml.safe_dump(settings))
    return folder


@pytest.fixture(scope="session")
def screen_in() -> type[Screen]:
    """What makes a screen of a folder, for modules that write their own."""
    return Screen


@pytest.fixture(scope="session")
def demo(tmp_path_factory, worker_id) -> Screen:
    """The demo screen, run once to the end; tests read it and leave it as it is.

    Processes that share the tests share the run: the first to ask for it makes it, others wait.
    """
    base = tmp_path_factory.getbasetemp()
    shared = base if worker_id == "master" else base.parent
    folder, done = shared / "finished_demo", shared / "demo_is_finished"
    with (shared / "demo.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not done.exists():
            # A run that failed for another process is tried again, so that each says why.
            shutil.rmtree(folder, ignore_errors=True)
            shutil.copytree(ROOT / "config", folder / "config")
            Screen(folder).must_run("all")
            done.touch()
    return Screen(folder)


@pytest.fixture
def demo_copy(demo, tmp_path) -> Screen:
    """A copy of the finished demo, to change."""
    folder = tmp_path / "screen"
    shutil.copytree(demo.folder, folder, copy_function=shutil.copy2)
    return Screen(folder)


@pytest.fixture
def empty_screen(tmp_path) -> Screen:
    """A screen as new_screen.py lays it out."""
    folder = tmp_path / "my_screen"
    subprocess.run(
        [sys.executable, str(ROOT / "scripts" / "new_screen.py"), str(folder)],
        check=True,
        capture_output=True,
    )
    return Screen(folder)
