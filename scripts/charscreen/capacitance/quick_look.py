"""One trace, a few lines: capacitance, resistance and farads per gram without a screen."""

import textwrap
from pathlib import Path

import numpy as np

from charscreen.capacitance.logged_load import read_load
from charscreen.capacitance.quick_lines import (
    USUAL_INSTRUMENT,
    Electrodes,
    Look,
    QuickLookError,
    compare_load,
    current_lines,
    logged_resistor_lines,
    mass_lines,
    resistor_lines,
    row_of,
)
from charscreen.findings import LEAVES_OUT
from charscreen.safe_yaml import YamlRefused, load_node
from charscreen.traces.maps import check_map, describe_map
from charscreen.traces.reading import read_trace
from charscreen.traces.suggest import suggest_column_map

__all__ = ["USUAL_INSTRUMENT", "Electrodes", "QuickLookError", "read_map_file", "take_quick_look"]

_WIDTH = 100


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
    if not path.exists():
        raise QuickLookError(
            f"{path.name}: there is no such file in '{path.parent}'. Correct the name or the "
            "folder."
        )
    notes: list[str] = []
    if column_map is None:
        column_map, notes = suggest_column_map(path)
        if column_map is None:
            raise QuickLookError("\n".join(notes))
        notes = [note for note in notes if not note.startswith("no current column")]
    trace, findings = read_trace(path, column_map)
    problems = [_line_of(f) for f in findings if f.severity == LEAVES_OUT]
    if trace is None:
        raise QuickLookError("\n".join(f"{path.name}: {problem}" for problem in problems))
    notes += [_line_of(f) for f in findings if f.severity != LEAVES_OUT]
    look = Look(path.name, trace, electrodes, notes, describe_map(column_map))
    if not trace.voltage_V.max() > 0:
        raise QuickLookError(
            f"{path.name}: the voltage is never above zero (it runs from "
            f"{trace.voltage_V.min():.3g} to {trace.voltage_V.max():.3g} V). Check the voltage's "
            f"column, or swap the meter's leads.\n\n{look.map_text}"
        )
    seen = None
    if trace.current_A is not None:
        seen = read_load(trace.time_s, trace.voltage_V, trace.current_A)
    if load_ohm is not None:
        lines, capacitance = resistor_lines(look, load_ohm, meter_ohm, USUAL_INSTRUMENT)
        compare_load(look, seen, load_ohm)
    elif seen is not None and seen.kind == "resistor":
        lines, capacitance = logged_resistor_lines(look, seen, meter_ohm)
    else:
        lines, capacitance = current_lines(look, upper_voltage_V, current_mA)
    lines += mass_lines(look, *capacitance)
    for doubt in dict.fromkeys(look.doubts):
        row = row_of("look at", doubt)
        lines += textwrap.wrap(row, _WIDTH, subsequent_indent=" " * 21, break_on_hyphens=False)
    lines.append("± is one standard uncertainty (usual instrument assumed; see --help).")
    for note in look.notes:
        lines += textwrap.wrap(f"note: {note}", _WIDTH, subsequent_indent="  ")
    lines += ["", "Column map, to paste into config/config.yaml:", look.map_text]
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
        content = load_node(Path(file))[1]
    except YamlRefused as error:
        text = str(error).removeprefix("The file ")
        raise QuickLookError(f"{file}: {text}") from None
    except yaml.YAMLError as error:
        first = str(error).splitlines()[0]
        raise QuickLookError(f"{file}: is not valid YAML ({first}).") from None
    maps = content.get("column_maps", content) if isinstance(content, dict) else None
    if isinstance(maps, dict) and name:
        if name not in maps:
            raise QuickLookError(
                f"{file}: has no map '{name}'. It has: {', '.join(map(str, maps))}."
            )
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
