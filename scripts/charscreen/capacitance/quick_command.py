"""Prints what one trace says: capacitance, resistance and farads per gram, with uncertainty.

The trace is delimited text, XLSX or Parquet (gz allowed) with columns of time and voltage and, for
a test at constant current, current. How to read it is guessed from its header and printed, to be
pasted into a screen's settings.
"""

import argparse
import sys

from charscreen.capacitance.quick_look import (
    USUAL_INSTRUMENT,
    Electrodes,
    QuickLookError,
    read_map_file,
    take_quick_look,
)

EXAMPLES = """\
examples:
  measure_trace.py log.csv --upper-voltage 1.0 --electrode-1-mg 10.2 --electrode-2-mg 9.8 \\
      --binder-percent 10
  measure_trace.py voltage_only.csv --current-mA 5
  measure_trace.py decay.csv --load-ohm 220

A value ± u: u is one standard uncertainty; the true value lies within ± u in about two cases of
three, within ± 2u in 19 of 20. It joins the scatter of the record, that of the masses and a usual
instrument: {instrument}.
A screen's settings hold your own instrument.
"""


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    options = _parser().parse_args(arguments)
    masses = (options.electrode_1_mg, options.electrode_2_mg)
    try:
        if masses.count(None) == 1:
            raise QuickLookError("Give both --electrode-1-mg and --electrode-2-mg, or neither.")
        electrodes = None
        if None not in masses:
            parts = (options.binder_percent, options.additive_percent, options.mass_u_mg)
            electrodes = Electrodes(*masses, *parts)
        text = take_quick_look(
            options.file,
            upper_voltage_V=options.upper_voltage,
            current_mA=options.current_mA,
            load_ohm=options.load_ohm,
            meter_ohm=options.meter_ohm,
            electrodes=electrodes,
            column_map=read_map_file(options.map) if options.map else None,
        )
    except QuickLookError as trouble:
        print(trouble, file=sys.stderr)
        return 1
    print(text, end="")
    return 0


def _parser() -> argparse.ArgumentParser:
    usual = USUAL_INSTRUMENT
    instrument = (
        f"voltage {usual['voltage_percent']:g} % and {usual['voltage_offset_mV']:g} mV, current "
        f"{usual['current_percent']:g} %, resistor {usual['load_percent']:g} %, time "
        f"{usual['time_resolution_s']:g} s"
    )
    parser = argparse.ArgumentParser(
        description=__doc__,
        epilog=EXAMPLES.format(instrument=instrument),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("file", help="the trace")
    parser.add_argument(
        "--map",
        metavar="FILE[:NAME]",
        help="column map to use: a YAML file (a screen's config.yaml will do), a name in it",
    )
    add = parser.add_argument_group("a test at constant current").add_argument
    add("--upper-voltage", type=float, metavar="V", help="upper voltage of the test [V]; else the "
        "highest of the file. Capacitance is read between 0.8 and 0.4 of it")  # fmt: skip
    add("--current-mA", type=float, metavar="I", help="current, if it is not in the file [mA]")
    add = parser.add_argument_group("a discharge through a resistor").add_argument
    add("--load-ohm", type=float, metavar="R", help="the resistor [Ω]")
    add("--meter-ohm", type=float, metavar="R", help="input resistance of the meter [Ω]")
    add = parser.add_argument_group(
        "farads per gram of carbon",
        "Masses are of the dry coating, without collector, weighed dry.",
    ).add_argument
    add("--electrode-1-mg", type=float, metavar="M", help="dry coating, first electrode [mg]")
    add("--electrode-2-mg", type=float, metavar="M", help="dry coating, second electrode [mg]")
    add("--binder-percent", type=float, default=0.0, metavar="B",
        help="binder in the dry coating [%% by mass] (0)")  # fmt: skip
    add("--additive-percent", type=float, default=0.0, metavar="A",
        help="conductive additive in the dry coating [%% by mass] (0)")  # fmt: skip
    add("--mass-u-mg", type=float, default=0.1, metavar="U",
        help="standard uncertainty of each mass [mg] (0.1)")  # fmt: skip
    return parser
