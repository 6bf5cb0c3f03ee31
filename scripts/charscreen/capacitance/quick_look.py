"""One trace, a few lines: capacitance, resistance and farads per gram without a screen."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from charscreen.capacitance.analyse import constant_current_rows
from charscreen.capacitance.exponential import measure_decay
from charscreen.capacitance.per_mass import electrode_capacitance
from charscreen.capacitance.standard_currents import efficient_currents_A
from charscreen.capacitance.steady import summarise_cycles
from charscreen.findings import LEAVES_OUT
from charscreen.rounding import with_uncertainty
from charscreen.traces.maps import check_map, describe_map
from charscreen.traces.reading import Trace, read_trace
from charscreen.traces.suggest import suggest_column_map

#: Standard uncertainties that are assumed where no settings are read. Common practice, no
#: source: a good hand-held meter or a simple logger.
USUAL_INSTRUMENT = {
    "voltage_percent": 0.1,
    "voltage_offset_mV": 1.0,
    "current_percent": 0.2,
    "time_resolution_s": 0.01,
    "load_percent": 1.0,
}
USUAL_MASS_U_MG = 0.1


class QuickLookError(Exception):
    """A mistake of the user or of the file; the text is ready to print."""


@dataclass(frozen=True)
class Electrodes:
    """Dry coatings of the two electrodes.

    Parameters
    ----------
    coating_1_mg, coating_2_mg : float
        Dry coating without collector. [mg]
    binder_percent, additive_percent : float
        Parts of the dry coating. [%]
    mass_u_mg : float
        Standard uncertainty of each coating's mass. [mg]
    """

    coating_1_mg: float
    coating_2_mg: float
    binder_percent: float = 0.0
    additive_percent: float = 0.0
    mass_u_mg: float = USUAL_MASS_U_MG

    @property
    def carbon_share(self) -> float:
        """Carbon in the dry coating, as a fraction."""
        return 1.0 - (self.binder_percent + self.additive_percent) / 100.0


def take_quick_look(
    path: str | Path,
    *,
    upper_voltage_V: float | None = None,
    current_mA: float | None = None,
    load_ohm: float | None = None,
    meter_ohm: float | None = None,
    electrodes: Electrodes | None = None,
    column_map: dict | None = None,
) -> str:
    """What one trace says, as lines to print.

    Parameters
    ----------
    path : path-like
        The trace.
    upper_voltage_V : float, optional
        Upper voltage of the test; the highest voltage of the trace where absent. [V]
    current_mA : float, optional
        Size of the constant current, where the trace does not hold it. [mA]
    load_ohm : float, optional
        Resistor the cell was discharged through: then the trace is taken as such. [Ω]
    meter_ohm : float, optional
        Input resistance of the meter. [Ω]
    electrodes : Electrodes, optional
        Without them there are no figures per gram.
    column_map : dict, optional
        How to read the file; guessed from its header where absent.

    Returns
    -------
    str

    Raises
    ------
    QuickLookError
        Whatever the user can put right: the file, the map, an option.
    """
    path = Path(path)
    _check_options(upper_voltage_V, current_mA, load_ohm, meter_ohm, electrodes)
    notes: list[str] = []
    if column_map is None:
        column_map, notes = suggest_column_map(path)
        if column_map is None:
            raise QuickLookError(notes[0])
        notes = [note for note in notes if not note.startswith("no current column")]
    trace, findings = read_trace(path, column_map)
    problems = [_line_of(f) for f in findings if f.severity == LEAVES_OUT]
    if trace is None:
        raise QuickLookError("\n".join(f"{path.name}: {problem}" for problem in problems))
    notes += [_line_of(f) for f in findings if f.severity != LEAVES_OUT]
    if load_ohm is not None:
        lines, capacitance = _resistor_lines(path, trace, load_ohm, meter_ohm, notes)
    else:
        lines, capacitance = _current_lines(path, trace, upper_voltage_V, current_mA, notes)
    lines += _mass_lines(*capacitance, electrodes)
    lines.append("± is one standard uncertainty (usual instrument assumed).")
    lines += [f"note: {note}" for note in notes]
    lines += ["", "Column map, to paste into config/config.yaml:", describe_map(column_map)]
    return "\n".join(lines).rstrip() + "\n"


def read_map_file(place: str) -> dict:
    """A column map from a YAML file: the map itself, or one of several by name.

    Parameters
    ----------
    place : str
        ``FILE`` or ``FILE:NAME``; the file may be a screen's settings.

    Raises
    ------
    QuickLookError
        No such file or name, or no valid map.
    """
    import yaml

    file, _, name = place.partition(":")
    try:
        content = yaml.safe_load(Path(file).read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise QuickLookError(f"{file}: cannot be read ({reason}).") from None
    except yaml.YAMLError as error:
        first = str(error).splitlines()[0]
        raise QuickLookError(f"{file}: is not valid YAML ({first}).") from None
    maps = content.get("column_maps", content) if isinstance(content, dict) else None
    if isinstance(maps, dict) and name:
        if name not in maps:
            raise QuickLookError(f"{file}: has no map '{name}'. It has: {', '.join(maps)}.")
        maps = maps[name]
    elif isinstance(maps, dict) and len(maps) == 1 and "time" not in maps:
        maps = next(iter(maps.values()))
    elif isinstance(maps, dict) and "time" not in maps:
        raise QuickLookError(f"{file}: holds several maps. Choose one as {file}:NAME.")
    problems = check_map(maps)[1]
    if problems:
        raise QuickLookError("\n".join(f"{place}: {problem}" for problem in problems))
    return maps


def _check_options(upper, current, load, meter, electrodes) -> None:
    problems = []
    for name, value in (("--upper-voltage", upper), ("--current-mA", current),
                        ("--load-ohm", load), ("--meter-ohm", meter)):  # fmt: skip
        if value is not None and not (value > 0 and np.isfinite(value)):
            problems.append(f"{name} is {value:g}: write a number above 0.")
    if load is not None and current is not None:
        problems.append("give --current-mA or --load-ohm, not both.")
    if electrodes is not None:
        for k, mass in ((1, electrodes.coating_1_mg), (2, electrodes.coating_2_mg)):
            if not mass > 0:
                problems.append(f"--electrode-{k}-mg is {mass:g}: write milligrams above 0.")
        parts = (electrodes.binder_percent, electrodes.additive_percent)
        if not (min(parts) >= 0 and electrodes.carbon_share > 0):
            problems.append("binder and additive together must lie between 0 and 100 %.")
        if electrodes.mass_u_mg < 0:
            problems.append("--mass-u-mg cannot be below 0.")
    if problems:
        raise QuickLookError("\n".join(problems))


def _line_of(finding) -> str:
    return f"{finding.place}: {finding.message}" if finding.place else finding.message


def _shown(value, se, unit) -> str:
    text, error = with_uncertainty(value, se)
    return f"{text} ± {error} {unit}" if error else f"{text} {unit}"


def _row(name: str, text: str) -> str:
    return f"  {name:<18} {text}"


def _current_lines(path, trace: Trace, upper, current_mA, notes):
    """Lines of a constant-current test, and its capacitance with uncertainty."""
    if upper is None:
        upper = float(np.quantile(trace.voltage_V, 0.999))
        notes.append(f"upper voltage taken from the trace: {upper:.3g} V (--upper-voltage)")
    current = trace.current_A
    if current is None:
        if current_mA is None:
            raise QuickLookError(
                f"{path.name}: no current in the file. Give --current-mA for a test at constant "
                "current, or --load-ohm for a discharge through a resistor."
            )
        current = current_mA * 1e-3
    elif current_mA is not None:
        notes.append("the current in the file was used, not --current-mA")
    cycles, reasons = constant_current_rows(
        trace.time_s,
        trace.voltage_V,
        current,
        upper_voltage_V=upper,
        instrument=USUAL_INSTRUMENT,
    )
    if not cycles:
        low, high = float(trace.voltage_V.min()), float(trace.voltage_V.max())
        why = reasons[0] if reasons else (
            f"no discharge was found ({len(trace)} rows, {low:.3g} to {high:.3g} V)"
        )  # fmt: skip
        raise QuickLookError(
            f"{path.name}: {why}. Check --upper-voltage, the columns and units below, and the "
            f"sign of the current; or give --load-ohm.\n\n{describe_map_of(path)}"
        )
    mean = summarise_cycles(cycles, skip_cycles=1)
    lines = [
        f"{path.name}: constant current, {len(cycles)} "
        f"{'discharge' if len(cycles) == 1 else 'discharges'}, mean of {mean['cycles']}; "
        f"window {0.8 * upper:.3g} to {0.4 * upper:.3g} V",
        _row("current", f"{mean['current_mA']:.4g} mA"),
        _row("capacitance", _shown(mean["capacitance_F"], mean["capacitance_F_se"], "F")
             + f" (by energy {mean['capacitance_energy_F']:.4g} F)"),
    ]  # fmt: skip
    if mean["esr_ohm"] is None and mean["esr_ohm_se"] is not None:
        bound = f"not resolved, under about {2.0 * mean['esr_ohm_se']:.2g} Ω; log faster"
        lines.append(_row("series resistance", bound))
    elif mean["esr_ohm"] is None:
        lines.append(_row("series resistance", "not to be seen: no sample before the discharge"))
    else:
        lines.append(_row("series resistance", _shown(mean["esr_ohm"], mean["esr_ohm_se"], "Ω")))
        discharge = efficient_currents_A(voltage_V=upper, esr_ohm=mean["esr_ohm"])[1]
        text = f"up to {1e3 * discharge:.3g} mA for 95 % of the energy"
        lines.append(_row("discharge current", text))
    lines += [_row("look at", flag) for flag in mean["flags"]]
    return lines, (mean["capacitance_F"], mean["capacitance_F_se"])


def describe_map_of(path: Path) -> str:
    """The guessed column map of a file as YAML; empty where none can be guessed."""
    column_map, _ = suggest_column_map(path)
    return describe_map(column_map) if column_map else ""


def _resistor_lines(path, trace: Trace, load_ohm, meter_ohm, notes):
    """Lines of a discharge through a resistor, and its capacitance with uncertainty."""
    try:
        row = measure_decay(
            trace.time_s,
            trace.voltage_V,
            load_ohm=load_ohm,
            meter_ohm=meter_ohm,
            instrument=USUAL_INSTRUMENT,
        )
    except ValueError as error:
        raise QuickLookError(
            f"{path.name}: {error}. Is it a discharge through a resistor, with time and voltage "
            f"in the right columns?\n\n{describe_map_of(path)}"
        ) from None
    lines = [
        f"{path.name}: discharge through {load_ohm:g} Ω, {row['n_points']} readings",
        _row("starting voltage", _shown(row["voltage_0_V"], row["voltage_0_V_se"], "V")),
        _row("time constant", _shown(row["tau_s"], row["tau_s_se"], "s")),
        _row("capacitance", _shown(row["capacitance_F"], row["capacitance_F_se"], "F")),
    ]
    if row["esr_ohm"] is None:
        used = _shown(row["series_ohm_used"], row["series_ohm_used_se"], "Ω")
        lines.append(
            _row("series resistance", f"not to be seen; the capacitance allows for {used}")
        )
    else:
        lines.append(_row("series resistance", _shown(row["esr_ohm"], row["esr_ohm_se"], "Ω")))
    lines += [_row("look at", flag) for flag in row["quality"].split("; ") if flag]
    if "not one exponential" in row["quality"]:
        notes.append(
            f"early part {row['capacitance_early_F']:.4g} F, late part "
            f"{row['capacitance_late_F']:.4g} F; the spread is in the uncertainty"
        )
    return lines, (row["capacitance_F"], row["capacitance_F_se"])


def _mass_lines(capacitance, se, electrodes: Electrodes | None) -> list[str]:
    if electrodes is None:
        return [_row("per gram", "give --electrode-1-mg and --electrode-2-mg")]
    share = electrodes.carbon_share
    m1, m2 = (x * share * 1e-3 for x in (electrodes.coating_1_mg, electrodes.coating_2_mg))
    u = electrodes.mass_u_mg * share * 1e-3
    electrode = electrode_capacitance(capacitance, mass_1_g=m1, mass_2_g=m2)
    parts = (electrode * se / capacitance, capacitance * u / m1**2, capacitance * u / m2**2)
    electrode_se = float(np.sqrt(np.sum(np.square(parts))))
    whole = capacitance / (m1 + m2)
    whole_se = float(whole * np.hypot(se / capacitance, np.sqrt(2.0) * u / (m1 + m2)))
    return [
        _row("carbon", f"{m1 * 1e3:.4g} and {m2 * 1e3:.4g} mg"),
        _row("cell", _shown(whole, whole_se, "F/g") + " (carbon of both electrodes)"),
        _row("electrode", _shown(electrode, electrode_se, "F/g") + " (carbon of one electrode)"),
    ]
