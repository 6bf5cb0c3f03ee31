"""Lines of a quick look: constant current, through a resistor, farads per gram, doubts."""

from dataclasses import dataclass, field

import numpy as np

from charscreen.capacitance.analyse import constant_current_rows
from charscreen.capacitance.exponential import measure_decay
from charscreen.capacitance.logged_load import LoggedLoad, is_other_load, start_of_decay
from charscreen.capacitance.per_mass import electrode_capacitance
from charscreen.capacitance.plausible import (
    CURRENT_MATCH_SHARE,
    LEAST_F_PER_G,
    TAU_S,
    TURNED_SIGN,
    is_sign_turned,
    question_current,
    question_discharge,
)
from charscreen.capacitance.standard_currents import efficient_currents_A
from charscreen.capacitance.steady import summarise_cycles
from charscreen.rounding import with_uncertainty
from charscreen.traces.reading import Trace
from charscreen.traces.suggest import UNUSED

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
#: Farads per gram of one electrode above which a figure is doubted: the default of the settings.
HIGHEST_F_PER_G = 400.0
#: Carbon on one electrode that is more than a laboratory cell holds. Common practice, no source.
LARGE_CARBON_G = 1.0
#: Standard uncertainty of a mass over the mass above which figures per gram are doubted: the
#: default of the settings.
MASS_SHARE = 0.10


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


@dataclass
class Look:
    """One trace on its way to lines; takes doubts like a test of a screen does.

    Parameters
    ----------
    name : str
        Of the file.
    trace : Trace
        The record.
    electrodes : Electrodes or None
        The coatings.
    notes : list of str
        What was assumed.
    map_text : str
        The column map used, as YAML.
    doubts : list of str
        What to look at.
    """

    name: str
    trace: Trace
    electrodes: Electrodes | None
    notes: list[str]
    map_text: str
    doubts: list[str] = field(default_factory=list)
    test: dict = field(default_factory=dict)

    @property
    def cell(self) -> dict:
        """The coatings as a row of cells.csv."""
        if self.electrodes is None:
            return {}
        return {
            "electrode_1_mg": self.electrodes.coating_1_mg,
            "electrode_2_mg": self.electrodes.coating_2_mg,
            "binder_percent": self.electrodes.binder_percent,
            "additive_percent": self.electrodes.additive_percent,
        }

    def question(self, message: str, column: str) -> None:
        """Note a doubt."""
        self.doubts.append(message)


def _shown(value, se, unit) -> str:
    text, error = with_uncertainty(value, se)
    return f"{text} ± {error} {unit}" if error else f"{text} {unit}"


def row_of(name: str, text: str) -> str:
    return f"  {name:<18} {text}"


def current_lines(look: Look, upper, current_mA):
    """Lines of a constant-current test, and its capacitance with uncertainty."""
    trace, notes = look.trace, look.notes
    current = trace.current_A
    if current is None:
        if current_mA is None:
            unused = [note for note in notes if note.startswith(UNUSED)]
            raise QuickLookError(
                f"{look.name}: no current in the file{''.join(f' ({n})' for n in unused)}. Give "
                "--current-mA for a test at constant current, or --load-ohm for a discharge "
                "through a resistor; or, if one of the columns is the current, a column map "
                f"with --map.\n\n{look.map_text}"
            )
        current = current_mA * 1e-3
    elif is_sign_turned(trace.voltage_V, current):
        raise QuickLookError(f"{look.name}: {TURNED_SIGN}\n\n{look.map_text}")
    if upper is None:
        highest = float(trace.voltage_V.max())
        upper = float(np.quantile(trace.voltage_V, 0.999))
        upper = upper if upper > 0 else highest  # a lone spike
        notes.append(f"upper voltage taken from the trace: {upper:.3g} V (--upper-voltage)")
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
            f"{look.name}: {why}. Check --upper-voltage, the columns and units below, and the "
            f"sign of the current; or give --load-ohm.\n\n{look.map_text}"
        )
    mean = summarise_cycles(cycles, skip_cycles=1)
    lines = [
        f"{look.name}: constant current, {len(cycles)} "
        f"{'discharge' if len(cycles) == 1 else 'discharges'}, mean of {mean['cycles']}; "
        f"window {0.8 * upper:.3g} to {0.4 * upper:.3g} V",
        row_of("current", f"{mean['current_mA']:.4g} mA"),
        row_of("capacitance", _shown(mean["capacitance_F"], mean["capacitance_F_se"], "F")
             + f" (by energy {mean['capacitance_energy_F']:.4g} F)"),
    ]  # fmt: skip
    if mean["esr_ohm"] is None and mean["esr_ohm_se"] is not None:
        bound = f"not resolved, under about {2.0 * mean['esr_ohm_se']:.2g} Ω; log faster"
        lines.append(row_of("series resistance", bound))
    elif mean["esr_ohm"] is None:
        lines.append(row_of("series resistance", "not to be seen: no sample before the discharge"))
    else:
        lines.append(row_of("series resistance", _shown(mean["esr_ohm"], mean["esr_ohm_se"], "Ω")))
        discharge = efficient_currents_A(voltage_V=upper, esr_ohm=mean["esr_ohm"])[1]
        text = f"up to {1e3 * discharge:.3g} mA for 95 % of the energy"
        lines.append(row_of("discharge current", text))
    look.doubts += mean["flags"]
    _compare_current(look, mean["current_mA"], current_mA)
    question_current(look, mean["current_mA"])
    question_discharge(look, mean, cycles)
    return lines, (mean["capacitance_F"], mean["capacitance_F_se"])


def _compare_current(look: Look, logged_mA: float, given_mA: float | None) -> None:
    """What to say of a current that was given although the file holds one."""
    if look.trace.current_A is None or given_mA is None:
        return
    look.notes.append("the current in the file was used, not --current-mA")
    if abs(logged_mA / given_mA - 1.0) > CURRENT_MATCH_SHARE:
        look.doubts.append(
            f"the file holds {logged_mA:.4g} mA, you gave {given_mA:g} mA. Check the unit of the "
            "current in the column map."
        )


def compare_load(look: Look, seen: LoggedLoad | None, load_ohm: float) -> None:
    """What to say where the logged current speaks for another resistor, or for none."""
    if seen is not None and is_other_load(seen, load_ohm):
        look.doubts.append(
            f"voltage over current of the file is {seen.ohm:.4g} Ω, you gave {load_ohm:g} Ω. Check "
            "--load-ohm and the unit of the current in the column map."
        )
    elif seen is not None and seen.kind == "constant":
        look.doubts.append(
            f"the current in the file stays near {seen.current_A * 1e3:.3g} mA, unlike that "
            "through a resistor. Leave out --load-ohm for a test at constant current."
        )


def logged_resistor_lines(look: Look, seen: LoggedLoad, meter_ohm):
    """Lines of a discharge whose logged current falls with the voltage, load not given."""
    parts = ("voltage_percent", "current_percent")
    share = np.hypot(seen.ohm_se / seen.ohm,
                     np.hypot(*(USUAL_INSTRUMENT[name] / 100.0 for name in parts)))  # fmt: skip
    instrument = {**USUAL_INSTRUMENT, "load_percent": float(100.0 * share)}
    lines, capacitance = resistor_lines(look, seen.ohm, meter_ohm, instrument)
    look.notes.append(
        "the current falls with the voltage, as through a resistor of about "
        f"{seen.ohm:.3g} Ω (voltage over current), so it was evaluated as such: give the "
        "resistor as --load-ohm"
    )
    return lines, capacitance


def resistor_lines(look: Look, load_ohm, meter_ohm, instrument):
    """Lines of a discharge through a resistor, and its capacitance with uncertainty."""
    trace = look.trace
    try:
        row = measure_decay(
            trace.time_s,
            trace.voltage_V,
            load_ohm=load_ohm,
            meter_ohm=meter_ohm,
            instrument=instrument,
        )
        moment, u_moment, start_V, start_se = start_of_decay(
            trace.time_s, trace.voltage_V, instrument=instrument
        )
    except ValueError as error:
        raise QuickLookError(
            f"{look.name}: {error}. Is it a discharge through a resistor, with time and voltage "
            f"in the right columns?\n\n{look.map_text}"
        ) from None
    at = f" (at {moment:.4g} s, where the record begins)"
    if u_moment > 0:
        at = f" (just after connecting, at {_shown(moment, u_moment, 's')})"
    lines = [
        f"{look.name}: discharge through {load_ohm:.4g} Ω, {row['n_points']} readings",
        row_of("starting voltage", _shown(start_V, start_se, "V") + at),
        row_of("time constant", _shown(row["tau_s"], row["tau_s_se"], "s")),
        row_of("capacitance", _shown(row["capacitance_F"], row["capacitance_F_se"], "F")),
    ]
    if row["esr_ohm"] is None:
        used = _shown(row["series_ohm_used"], row["series_ohm_used_se"], "Ω")
        lines.append(
            row_of("series resistance", f"not to be seen; the capacitance allows for {used}")
        )
    else:
        lines.append(row_of("series resistance", _shown(row["esr_ohm"], row["esr_ohm_se"], "Ω")))
    look.doubts += [flag for flag in row["quality"].split("; ") if flag]
    if not TAU_S[0] <= row["tau_s"] <= TAU_S[1]:
        look.doubts.append(
            f"the time constant is {row['tau_s']:.3g} s, which is unusual. Check the unit of time "
            "and the resistor."
        )
    if "not one exponential" in row["quality"]:
        look.notes.append(
            f"early part {row['capacitance_early_F']:.4g} F, late part "
            f"{row['capacitance_late_F']:.4g} F; the spread is in the uncertainty"
        )
    return lines, (row["capacitance_F"], row["capacitance_F_se"])


def mass_lines(look: Look, capacitance, se) -> list[str]:
    electrodes = look.electrodes
    if electrodes is None:
        least_g = 2.0 * capacitance / HIGHEST_F_PER_G
        if least_g > LARGE_CARBON_G:
            look.doubts.append(
                f"{capacitance:.3g} F would take {least_g:.3g} g of carbon on each electrode even "
                f"at {HIGHEST_F_PER_G:g} F/g. Check the units of current, time and voltage."
            )
        return [row_of("per gram", "give --electrode-1-mg and --electrode-2-mg")]
    share = electrodes.carbon_share
    m1, m2 = (x * share * 1e-3 for x in (electrodes.coating_1_mg, electrodes.coating_2_mg))
    u = electrodes.mass_u_mg * share * 1e-3
    electrode = electrode_capacitance(capacitance, mass_1_g=m1, mass_2_g=m2)
    parts = (electrode * se / capacitance, capacitance * u / m1**2, capacitance * u / m2**2)
    electrode_se = float(np.sqrt(np.sum(np.square(parts))))
    if not LEAST_F_PER_G <= electrode <= HIGHEST_F_PER_G:
        low = electrode < LEAST_F_PER_G
        look.doubts.append(
            f"{electrode:.3g} F per gram of one electrode is {'under' if low else 'above'} "
            f"{LEAST_F_PER_G if low else HIGHEST_F_PER_G:g} F/g, which is unusual. Check the "
            "masses (mg, dry coating without collector), the units of current and time, and the "
            "upper voltage."
        )
    if u > MASS_SHARE * min(m1, m2):
        look.doubts.append(
            f"the carbon of an electrode is known to {100.0 * u / min(m1, m2):.3g} % only. Coat "
            "more, or use a finer balance (--mass-u-mg)."
        )
    whole = capacitance / (m1 + m2)
    whole_se = float(whole * np.hypot(se / capacitance, np.sqrt(2.0) * u / (m1 + m2)))
    return [
        row_of("carbon", f"{m1 * 1e3:.4g} and {m2 * 1e3:.4g} mg"),
        row_of("cell", _shown(whole, whole_se, "F/g") + " (carbon of both electrodes)"),
        row_of("electrode", _shown(electrode, electrode_se, "F/g") + " (carbon of one electrode)"),
    ]
