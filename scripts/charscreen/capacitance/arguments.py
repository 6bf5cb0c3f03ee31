"""Checks of what the public calls are given: each names the argument and what was found."""

import math

import numpy as np


def checked_record(
    time_s: np.ndarray,
    voltage_V: np.ndarray,
    current_A: np.ndarray | None = None,
    *,
    may_be_empty: bool = False,
) -> tuple[np.ndarray, ...]:
    """Arrays of one record as floats.

    Parameters
    ----------
    time_s, voltage_V : (n,) arrays
        [s], [V]
    current_A : (n,) array, optional
        [A]
    may_be_empty : bool
        Whether arrays without a value pass.

    Returns
    -------
    tuple of arrays
        As many as were given.

    Raises
    ------
    ValueError
        An array that is not numbers, not one row, empty, of another length than ``time_s``, with
        values that are not finite, or a time that falls.
    """
    given = {"time_s": time_s, "voltage_V": voltage_V, "current_A": current_A}
    arrays = []
    for name, values in given.items():
        if values is None:
            if name == "current_A":
                continue
            raise ValueError(f"{name} is None: an array of numbers is needed")
        try:
            array = np.asarray(values, dtype=float)
        except (TypeError, ValueError):
            raise ValueError(f"{name} is not an array of numbers") from None
        if array.ndim != 1:
            raise ValueError(f"{name} has {array.ndim} dimensions: one row of values is needed")
        if not len(array) and not may_be_empty:
            raise ValueError(f"{name} is empty")
        if arrays and len(array) != len(arrays[0]):
            raise ValueError(
                f"{name} has {len(array)} values and time_s has {len(arrays[0])}: one each is "
                "needed"
            )
        wrong = np.flatnonzero(~np.isfinite(array))
        if len(wrong):
            raise ValueError(
                f"{name} needs finite values: {array[wrong[0]]} at index {wrong[0]}, {len(wrong)} "
                "in all. Drop these readings from every array"
            )
        arrays.append(array)
    back = np.flatnonzero(np.diff(arrays[0]) < 0)
    if len(back):
        k = int(back[0])
        raise ValueError(
            f"time_s runs backward: {arrays[0][k + 1]:.10g} s after {arrays[0][k]:.10g} s at index "
            f"{k + 1}"
        )
    return tuple(arrays)


def require_positive(**values: float | None) -> None:
    """Refuses arguments that are not finite numbers above zero; None is passed over.

    Parameters
    ----------
    **values : float or None
        By the name of the argument.

    Raises
    ------
    ValueError
    """
    for name, value in values.items():
        if value is not None and not (_is_number(value) and value > 0 and math.isfinite(value)):
            raise ValueError(f"{name} is {value}: a number above zero is needed")


def require_not_negative(**values: float | None) -> None:
    """Refuses arguments that are not finite numbers from zero up; None is passed over.

    Parameters
    ----------
    **values : float or None
        By the name of the argument.

    Raises
    ------
    ValueError
    """
    for name, value in values.items():
        if value is not None and not (_is_number(value) and value >= 0 and math.isfinite(value)):
            raise ValueError(f"{name} is {value}: zero or a number above it is needed")


def checked_meter(meter_ohm: float | None) -> float | None:
    """Input resistance of a meter; None where it is none or without end.

    Parameters
    ----------
    meter_ohm : float or None
        [Ω]

    Returns
    -------
    float or None

    Raises
    ------
    ValueError
        A resistance that is not above zero.
    """
    if meter_ohm is not None and _is_number(meter_ohm) and meter_ohm == math.inf:
        return None
    require_positive(meter_ohm=meter_ohm)
    return meter_ohm


def checked_window(window: tuple[float, float]) -> tuple[float, float]:
    """Ends of the part of a discharge that is evaluated, the upper one first.

    Parameters
    ----------
    window : tuple of float
        Fractions of the upper voltage.

    Returns
    -------
    tuple of float

    Raises
    ------
    ValueError
        Anything but 1 ≥ upper > lower ≥ 0.
    """
    try:
        upper, lower = (float(end) for end in window)
    except (TypeError, ValueError):
        raise ValueError(f"window is {window}: two fractions are needed, the upper first") from None
    if not 1.0 >= upper > lower >= 0.0:
        raise ValueError(f"window is {window}: the upper end comes first, both between 0 and 1")
    return upper, lower


def _is_number(value) -> bool:
    return isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, bool)
