import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import yaml
from cell_models import cycle_rc, decay_rc
from measure_trace import main

MASSES = ["--electrode-1-mg", "5", "--electrode-2-mg", "5"]
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
    # 10 mV in every row pass for the meter's digits: 0.39 % of each of the two steady cycles.
    assert shown["capacitance"].startswith("0.5000 ± 0.0018 F")
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
        ([*MASSES, "--binder-percent", "60", "--additive-percent", "50"], "between 0 and 100 %"),
        ([*MASSES, "--mass-u-mg", "-1"], "--mass-u-mg cannot be below 0."),
    ],
)
def test_mistakes_of_the_user(trace, capsys, options, says):
    assert main([str(trace), *options]) == 1
    captured = capsys.readouterr()
    assert says in captured.err
    assert captured.out == ""


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("time: [", "is not valid YAML ("),
        ("a: &x [1]\nb: *x\n", "map.yaml: "),
        ("just words", "a column map is a set of keys"),
        ("time: t\n", "no voltage column. Write voltage: {column: NAME}."),
    ],
)
def test_files_that_hold_no_map(trace, tmp_path, capsys, text, says):
    (tmp_path / "map.yaml").write_text(text)
    assert main([str(trace), "--map", str(tmp_path / "map.yaml")]) == 1
    captured = capsys.readouterr()
    assert says in captured.err
    assert captured.err.count(str(tmp_path / "map.yaml")) >= 1
    assert captured.out == ""


def test_the_only_map_of_a_file_needs_no_name(trace, tmp_path, capsys):
    path = tmp_path / "map.yaml"
    path.write_text(
        "mine: {delimiter: ';', decimal: ',', skip_lines: 1, time: {column: 1, unit: min},"
        " voltage: {column: 2, unit: mV}, current: {column: 3, unit: mA}}\n"
    )
    assert main([str(trace), "--upper-voltage", "1", "--map", str(path)]) == 0
    assert values(capsys.readouterr().out)["capacitance"].startswith("0.5000")


def test_a_file_that_the_map_does_not_fit_is_told(trace, tmp_path, capsys):
    (tmp_path / "map.yaml").write_text("{time: absent, voltage: neither, delimiter: ';'}\n")
    assert main([str(trace), "--map", str(tmp_path / "map.yaml")]) == 1
    err = capsys.readouterr().err
    assert err.startswith("log.txt: ")
    assert "absent" in err


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


def words(text):
    """Text with its line breaks undone."""
    return " ".join(text.split())


def write(path, header, *columns):
    rows = zip(*columns, strict=True)
    lines = [header, *(",".join(f"{x:.8g}" for x in row) for row in rows)]
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.fixture
def logged_decay(tmp_path):
    """A discharge through 220 Ω of a cell that rested at 1 V for 3 s, with its current."""
    t, v = decay_rc(
        capacitance_F=0.4, load_ohm=220.0, series_ohm=2.0, times_s=np.arange(0.5, 200.0),
        before_s=np.arange(-2.5, 0.0),
    )  # fmt: skip
    i = np.where(t > 0, -v / 220.0, 0.0)
    return write(tmp_path / "logged.csv", "t_s,U_V,I_mA", t + 2.5, v, 1e3 * i)


@pytest.mark.parametrize("sign", [1, -1])
def test_current_that_falls_with_the_voltage_is_a_resistor(logged_decay, capsys, sign):
    if sign < 0:
        logged_decay.write_text(logged_decay.read_text().replace(",-", ","))
    assert main([str(logged_decay)]) == 0
    out = capsys.readouterr().out
    assert "discharge through 220 Ω" in out
    assert "as through a resistor of about 220 Ω" in words(out)
    assert "give the resistor as --load-ohm" in words(out)
    value, error = values(out)["capacitance"].split(" ± ")
    assert float(value) == pytest.approx(0.4, abs=3 * float(error.split()[0]))


def test_load_that_contradicts_the_logged_current(logged_decay, trace, capsys):
    assert main([str(logged_decay), "--load-ohm", "220"]) == 0
    assert "you gave" not in capsys.readouterr().out
    assert main([str(logged_decay), "--load-ohm", "470"]) == 0
    out = words(capsys.readouterr().out)
    assert "look at voltage over current of the file is 220 Ω, you gave 470 Ω" in out


def test_load_although_the_current_is_constant(tmp_path, capsys):
    t = np.arange(0.0, 150.0)
    path = write(tmp_path / "a.csv", "t_s,U_V,I_mA", t, 1.0 - 0.005 * t, np.full(len(t), -2.0))
    assert main([str(path), "--load-ohm", "300"]) == 0
    assert "the current in the file stays near 2 mA" in words(capsys.readouterr().out)


def test_starting_voltage_is_that_of_the_discharge(logged_decay, decay, capsys):
    assert main([str(logged_decay), "--load-ohm", "220"]) == 0
    shown = values(capsys.readouterr().out)["starting voltage"]
    value, error = (float(part.split()[0]) for part in shown.split(" (")[0].split(" ± "))
    # Just after connecting: the voltage at rest less the drop in the cell.
    assert value == pytest.approx(220.0 / 222.0, abs=2 * error)
    assert value <= 1.0
    assert error < 0.01
    assert "just after connecting, at 2." in shown
    t, v = decay_rc(capacitance_F=0.4, load_ohm=50.0, times_s=np.arange(7.0, 60.0))
    assert main([str(write(decay, "t_s,U_V", t, v)), "--load-ohm", "50"]) == 0
    shown = values(capsys.readouterr().out)["starting voltage"]
    assert "at 7 s, where the record begins" in shown
    assert float(shown.split(" ± ")[0]) == pytest.approx(v[0], abs=2e-4)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        # 0.5 F on 2·0.5 mg of carbon: 2000 F/g, and 5 A/g is not unusual.
        (["--electrode-1-mg", "0.5", "--electrode-2-mg", "0.5"], "is above 400 F/g"),
        (["--electrode-1-mg", "0.02", "--electrode-2-mg", "0.02"], "125 A per gram of carbon"),
        (["--electrode-1-mg", "0.5", "--electrode-2-mg", "0.5"], "is known to 20 % only"),
        (["--electrode-1-mg", "2000", "--electrode-2-mg", "2000"], "is under"),
        (["--electrode-1-mg", "2000", "--electrode-2-mg", "2000"], "0.00125 A per gram of carbon"),
        (["--current-mA", "7"], "the file holds 5 mA, you gave 7 mA"),
    ],
)
def test_unusual_figures_are_doubted(trace, capsys, options, says):
    assert main([str(trace), "--upper-voltage", "1", *options]) == 0
    out = capsys.readouterr().out
    assert says in words(out)
    assert "  look at" in out


def test_usual_figures_are_not_doubted(trace, capsys):
    masses = ["--electrode-1-mg", "6.25", "--electrode-2-mg", "6.25"]
    assert main([str(trace), "--upper-voltage", "1", *masses]) == 0
    doubts = [line for line in capsys.readouterr().out.splitlines() if "look at" in line]
    # This logger is slow against the drop; no figure is out of the usual.
    assert [line.split("look at")[1].strip() for line in doubts] == [
        "resistance rests on the sampling interval"
    ]


def test_unusual_times_and_farads_without_masses(tmp_path, capsys):
    t, v, _ = cycle_rc(n_cycles=2, rest_samples=2)
    slow = write(tmp_path / "slow.csv", "t_h,U_V", t, v)
    assert main([str(slow), "--current-mA", "500"]) == 0
    out = words(capsys.readouterr().out)
    assert "a discharge takes" in out
    assert "of carbon on each electrode even at 400 F/g" in out
    t, v = decay_rc(capacitance_F=0.4, load_ohm=50.0, times_s=np.arange(0.5, 60.0))
    path = write(tmp_path / "fast.csv", "t_us,U_V", t, v)
    assert main([str(path), "--load-ohm", "50"]) == 0
    assert "the time constant is 2e-05 s, which is unusual" in words(capsys.readouterr().out)


def test_highest_figure_is_the_one_of_the_settings():
    from charscreen.capacitance.quick_lines import HIGHEST_F_PER_G, MASS_SHARE

    schema = Path(__file__).resolve().parents[2] / "workflow" / "schemas" / "config.schema.yaml"
    limits = yaml.safe_load(schema.read_text(encoding="utf-8"))["properties"]["limits"]
    assert limits["properties"]["electrode_F_per_g"]["default"] == HIGHEST_F_PER_G
    assert limits["properties"]["mass_u_percent"]["default"] == 100 * MASS_SHARE


def test_current_named_by_its_unit_and_positive_on_discharge(tmp_path, capsys):
    t, v, i = cycle_rc(n_cycles=3, rest_samples=2)
    path = write(
        tmp_path / "a.csv", "sample,elapsed_s,load_mA,volts", np.arange(len(t)), t, -1e3 * i, v
    )
    assert main([str(path), "--upper-voltage", "1"]) == 0
    out = capsys.readouterr().out
    assert values(out)["capacitance"].startswith("0.5000 ± 0.0018 F")
    assert "positive_is: discharge" in out


def test_columns_that_were_not_recognised_are_named(tmp_path, capsys):
    t, v, i = cycle_rc(n_cycles=1)
    path = write(tmp_path / "a.csv", "t_s,U_V,flow", t, v, i)
    assert main([str(path)]) == 1
    message = words(capsys.readouterr().err)
    assert "a.csv: no current in the file (columns not used: 'flow'). Give --current-mA" in message
    assert "a column map with --map" in message


def test_turned_sign_in_a_map(tmp_path, capsys):
    t, v, i = cycle_rc(n_cycles=2)
    path = write(tmp_path / "a.csv", "t_s,U_V,I_A", t, v, -i)
    settings = tmp_path / "m.yaml"
    settings.write_text("time: {column: t_s}\nvoltage: {column: U_V}\ncurrent: {column: I_A}\n")
    assert main([str(path), "--map", str(settings)]) == 1
    assert "Change positive_is in the column map" in capsys.readouterr().err


def test_clock_times(tmp_path, capsys):
    t, v = decay_rc(capacitance_F=0.4, load_ohm=200.0, times_s=np.arange(0.0, 200.0, 5.0))
    rows = [
        f"2025-03-13,{int(a) // 60 + 10}:{int(a) % 60:02d}:00,{b:.4f}"
        for a, b in zip(t, v, strict=True)
    ]
    path = tmp_path / "a.csv"
    path.write_text("\n".join(["Date,Time,Volts", *rows]) + "\n")
    assert main([str(path), "--load-ohm", "200"]) == 0
    out = capsys.readouterr().out
    # A minute on the clock for each second: sixty times the capacitance.
    assert float(values(out)["capacitance"].split(" ± ")[0]) == pytest.approx(24.0, rel=0.01)
    assert "is read as hours:minutes:seconds" in words(out)
    assert "time: {column: Time}" in out


@pytest.mark.parametrize("options", [[], ["--load-ohm", "50"]])
def test_voltage_that_is_never_above_zero(tmp_path, capsys, options):
    t = np.arange(20.0)
    path = write(tmp_path / "a.csv", "t_s,U_V,I_A", t, 0.05 * t - 1.0, np.full(20, 0.005))
    assert main([str(path), *options]) == 1
    message = words(capsys.readouterr().err)
    assert "the voltage is never above zero (it runs from -1 to -0.05 V)" in message


def test_absent_file_is_named(tmp_path, capsys):
    assert main([str(tmp_path / "nothere.csv")]) == 1
    assert capsys.readouterr().err.startswith("nothere.csv: there is no such file")


def test_help_has_groups_an_example_and_says_what_the_uncertainty_is(capsys):
    with pytest.raises(SystemExit):
        main(["--help"])
    out = capsys.readouterr().out
    assert "a discharge through a resistor:" in out
    assert "measure_trace.py decay.csv --load-ohm 220" in out
    assert "one standard uncertainty" in words(out)
    assert "voltage 0.1 % and 1 mV, current 0.2 %" in words(out)
