"""Prints what one trace says: capacitance, resistance and farads per gram, with uncertainty.

The trace is delimited text, XLSX or Parquet (gz allowed) with columns of time and voltage and, for
a test at constant current, current. How to read it is guessed from its header and printed, to be
pasted into a screen's settings.
"""

import argparse
import sys

from charscreen.capacitance.quick_look import (
    Electrodes,
    QuickLookError,
    read_map_file,
    take_quick_look,
)


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, epilog="Masses are of the dry coating, without collector, weighed dry."
    )
    add = parser.add_argument
    add("file", help="the trace")
    add("--upper-voltage", type=float, metavar="V", help="upper voltage of the test [V]")
    add("--current-mA", type=float, metavar="I", help="constant current, if not in the file [mA]")
    add("--load-ohm", type=float, metavar="R", help="resistor it was discharged through [Ω]")
    add("--meter-ohm", type=float, metavar="R", help="input resistance of the meter [Ω]")
    add("--electrode-1-mg", type=float, metavar="M", help="dry coating, first electrode [mg]")
    add("--electrode-2-mg", type=float, metavar="M", help="dry coating, second electrode [mg]")
    add("--binder-percent", type=float, default=0.0, metavar="B", help="binder in the coating")
    add("--additive-percent", type=float, default=0.0, metavar="A", help="additive in the coating")
    add("--mass-u-mg", type=float, default=0.1, metavar="U", help="uncertainty of a mass (0.1 mg)")
    add("--map", metavar="FILE[:NAME]", help="column map to use: a YAML file, a name in it")
    options = parser.parse_args(arguments)
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


if __name__ == "__main__":
    sys.exit(main())
