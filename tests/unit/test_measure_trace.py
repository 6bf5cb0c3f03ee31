import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from cell_models import cycle_rc, decay_rc
from measure_trace import main

SCRIPT = Path(__file__).resolve().parents[2] / "scripts" / "measure_trace.py"


@pytest.fixture
def trace(tmp_path):
    """A test at constant current as a logger with semicolons and decimal commas writes it."""
    t, v, i = cycle_rc(n_cycles=3, rest_samples=2)
    lines = ["bench logger", "Time (min);Voltage (mV);Current (mA)"]
    rows = zip(t / 60, v * 1e3, i * 1e3, strict=True)
    lines += [";".join(f"{x:.9g}" for x in row).replace(".", ",") for row in rows]
    path = tmp_path / "log.txt"
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.fixture
def decay(tmp_path):
    t, v = decay_rc(
        capacitance_F=0.4, load_ohm=50.0, series_ohm=2.0, times_s=np.arange(0.05, 40.0, 0.1),
        before_s=np.arange(-3.0, 0.01, 0.1),
    )  # fmt: skip
    path = tmp_path / "decay.csv"
    lines = ["t_s,U_V", *(f"{a:.6g},{b:.6g}" for a, b in zip(t + 3, v, strict=True))]
    path.write_text("\n".join(lines) + "\n")
    return path


def values(text):
    """Figures of the printed lines by name."""
    rows = [line.strip().split("  ", 1) for line in text.splitlines() if line.startswith("  ")]
    return {row[0]: row[1].strip() for row in rows if len(row) == 2}


def test_constant_current(trace, capsys):
    masses = ["--electrode-1-mg", "6.25", "--electrode-2-mg", "6.25"]
    parts = ["--binder-percent", "10", "--additive-percent", "10", "--mass-u-mg", "0.05"]
    assert main([str(trace), "--upper-voltage", "1.0", *masses, *parts]) == 0
    out = capsys.readouterr().out
    shown = values(out)
    assert shown["current"] == "5 mA"
    assert shown["capacitance"].startswith("0.5000 ± 0.0011 F")
    assert shown["series resistance"].startswith("2.0")
    assert shown["carbon"] == "5 and 5 mg"
    assert shown["cell"].startswith("50.00 ± 0.")
    assert shown["electrode"].startswith("200.0 ± 1.")
    # The map can be pasted: names, units, decimal comma and lines to skip were found.
    assert "delimiter: ;" in out
    assert "decimal: ','" in out
    assert "skip_lines: 1" in out
    assert "voltage: {column: Voltage (mV), unit: mV}" in out


def test_without_masses_and_upper_voltage_it_says_what_can_be_said(trace, capsys):
    assert main([str(trace)]) == 0
    out = capsys.readouterr().out
    assert "give --electrode-1-mg and --electrode-2-mg" in out
    assert "upper voltage taken from the trace: 1 V" in out


def test_through_resistor(decay, capsys):
    assert main([str(decay), "--load-ohm", "50"]) == 0
    shown = values(capsys.readouterr().out)
    assert float(shown["capacitance"].split(" ± ")[0]) == pytest.approx(0.4, rel=0.005)
    assert float(shown["series resistance"].split(" ± ")[0]) == pytest.approx(2.0, abs=0.3)


def test_map_by_name_out_of_a_settings_file(trace, tmp_path, capsys):
    settings = tmp_path / "config.yaml"
    settings.write_text(
        "title: x\ncolumn_maps:\n"
        "  one: {delimiter: ';', decimal: ',', skip_lines: 1, time: {column: 1, unit: min},"
        " voltage: {column: 2, unit: mV}, current: {column: 3, unit: mA}}\n"
        "  two: {time: {column: a}, voltage: {column: b}}\n"
    )
    assert main([str(trace), "--upper-voltage", "1", "--map", f"{settings}:one"]) == 0
    assert values(capsys.readouterr().out)["capacitance"].startswith("0.5000")
    assert main([str(trace), "--map", str(settings)]) == 1
    assert "holds several maps. Choose one" in capsys.readouterr().err
    assert main([str(trace), "--map", f"{settings}:three"]) == 1
    assert "has no map 'three'. It has: one, two" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--electrode-1-mg", "5"], "Give both --electrode-1-mg and --electrode-2-mg"),
        (["--electrode-1-mg", "5", "--electrode-2-mg", "-5"], "write milligrams above 0"),
        (["--upper-voltage", "-1"], "--upper-voltage is -1: write a number above 0"),
        (["--load-ohm", "5", "--current-mA", "5"], "not both"),
        (["--upper-voltage", "5"], "does not cover the window 4 to 2 V"),
        (["--map", "absent.yaml"], "absent.yaml: cannot be read"),
    ],
)
def test_mistakes_of_the_user(trace, capsys, options, says):
    assert main([str(trace), *options]) == 1
    captured = capsys.readouterr()
    assert says in captured.err
    assert captured.out == ""


def test_voltage_only_asks_for_the_current(decay, capsys):
    assert main([str(decay)]) == 1
    assert "Give --current-mA" in capsys.readouterr().err


def test_mistake_on_the_command_line_gives_no_traceback(tmp_path):
    done = subprocess.run(
        [sys.executable, str(SCRIPT), str(tmp_path / "none.csv")], capture_output=True, text=True
    )
    assert done.returncode == 1
    assert "there is no such file" in done.stderr
    assert "Traceback" not in done.stderr


def test_help_says_which_masses(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["--help"])
    assert stop.value.code == 0
    assert "dry coating, without collector" in " ".join(capsys.readouterr().out.split())
