"""Currents at which the standards test a capacitor."""

#: Classes of IEC 62391-1: factor and power of the voltage; current in mA, C in F, U in V.
_CLASSES = {1: (1.0, 0), 2: (0.4, 1), 3: (4.0, 1), 4: (40.0, 1)}


def class_current_mA(capacitance_F: float, *, voltage_V: float, number: int) -> float:
    """Discharge current of a class of IEC 62391-1. [mA]

    Parameters
    ----------
    capacitance_F : float
        [F]
    voltage_V : float
        Rated voltage. [V]
    number : int
        Class, 1 (memory back-up) to 4 (instantaneous power).

    Raises
    ------
    ValueError
        No such class.

    Notes
    -----
    Class 1: C; 2: 0.4·C·U; 3: 4·C·U; 4: 40·C·U (standard from memory).
    """
    if number not in _CLASSES:
        raise ValueError(f"class {number}: there are {', '.join(map(str, _CLASSES))}")
    factor, power = _CLASSES[number]
    return factor * capacitance_F * voltage_V**power


def efficient_currents_A(*, voltage_V: float, esr_ohm: float) -> tuple[float, float]:
    """Charge and discharge current at which 95 % of the energy passes. [A]

    Parameters
    ----------
    voltage_V : float
        Rated voltage. [V]
    esr_ohm : float
        Series resistance. [Ω]

    Notes
    -----
    U/(38·R) and U/(40·R), IEC 62576. A charge to U at current I loses R·I·C·U of ½·C·U² + that,
    a discharge R·I·C·U of ½·C·U²: with these currents 1/20 either way.
    """
    return voltage_V / (38.0 * esr_ohm), voltage_V / (40.0 * esr_ohm)
