"""Runs the demo screen and copies its report, tables and pictures to results_demo/.

Where a Chromium is installed, the top of the report is photographed for the README as well.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from charscreen.graph import WORKBOOK_MODEL_TABLES

ROOT = Path(__file__).resolve().parents[3]
KEPT = ("report.html", "collect/*.csv", "fit/*.json")
KEPT += tuple(f"fit/*_{table}.csv" for table in WORKBOOK_MODEL_TABLES)
KEPT += tuple(f"figures/{name}*.svg" for name in ("ranking", "yields", "capacitances", "response"))
KEPT += ("rank/*.csv", "rank/*.json", "next/*")
KEPT += ("plan/*.csv", "plan/*.json", "plan/*.html")
KEPT += ("summary.pdf", "plan/run_sheets.pdf")


def photograph(page: Path, picture: Path) -> None:
    """Write the first screen of a page as PNG, where a browser is installed."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        print("No Chromium found: results_demo/report.png stays as it is (Debian: chromium).")
        return
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run(
            [
                *(browser, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"),
                *("--disable-background-networking", f"--user-data-dir={profile}"),
                *("--window-size=1200,1250", f"--screenshot={picture}", page.as_uri()),
            ],
            check=True,
            capture_output=True,
        )


def renew() -> None:
    """Run the demo in a folder of its own and renew the committed copy."""
    target = ROOT / "results_demo"
    with tempfile.TemporaryDirectory() as folder:
        screen = Path(folder)
        shutil.copytree(ROOT / "config", screen / "config")
        command = ("-m", "snakemake", "--snakefile", str(ROOT / "Snakefile"), "--cores", "all")
        subprocess.run([sys.executable, *command, "--directory", folder, "all"], check=True)
        for old in target.glob("*"):
            if old.suffix != ".png":
                shutil.rmtree(old) if old.is_dir() else old.unlink()
        for pattern in KEPT:
            for file in sorted((screen / "results").glob(pattern)):
                kept = target / file.relative_to(screen / "results")
                kept.parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(file, kept)
    photograph(target / "report.html", target / "report.png")
