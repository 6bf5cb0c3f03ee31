"""Discharge through a resistor: the resistor as the logged current shows it, where it starts."""

from dataclasses import dataclass

import numpy as np

from charscreen.capacitance.discharge import EXACT
from charscreen.capacitance.exponential import find_decay
from charscreen.capacitance.fitting import fit_exponential, fit_or_none
from charscreen.capacitance.plausible import CURRENT_MATCH_SHARE

_LEAST_READINGS = 6
_LEAST_FALL = 1.3  # voltage of the upper over the lower third: with less nothing is told
_POWER_SHARE = 0.25  # the current goes with a power of the voltage: 1 a resistor, 0 constant
_LEAST_CORRELATION = 0.9
_EARLY_SHARE = 0.3  # of the time constant: readings that give the voltage at the start


@dataclass(frozen=True)
class LoggedLoad:
    """What voltage and current of a discharge say on what it ran through.

    Parameters
    ----------
    kind : str
        ``resistor`` (the current falls in proportion to the voltage) or ``constant``.
    ohm, ohm_se : float or None
        Voltage over current and its standard error from scatter; None for ``constant``. [Ω]
    current_A : float
        Median size of the current. [A]
    """

    kind: str
    ohm: float | None
    ohm_se: float | None
    current_A: float


def read_load(
    time_s: np.ndarray, voltage_V: np.ndarray, current_A: np.ndarray
) -> LoggedLoad | None:
    """What a discharge ran through, by its logged current.

    Parameters
    ----------
    time_s, voltage_V, current_A : (n,) arrays
        Of either sign of the current. [s], [V], [A]

    Returns
    -------
    LoggedLoad or None
        None where the current shows neither a resistor nor a constant current, for example where
        it did not pass the logger.

    Notes
    -----
    Within the decay, ln(I₁/I₂)/ln(V₁/V₂) of the medians of its upper and lower third in voltage
    is 1 for a resistor and 0 for a constant current; within 0.25 counts. The conductance is the
    slope of I against V through zero by least squares.
    """
    if len(voltage_V) < _LEAST_READINGS or not voltage_V.max() > 0:
        return None
    start, stop, _ = find_decay(time_s, voltage_V)
    v, i = voltage_V[start:stop], current_A[start:stop]
    known = np.isfinite(v) & np.isfinite(i) & (v > 0)
    v, i = v[known], i[known]
    if len(v) < _LEAST_READINGS:
        return None
    i = i * (1.0 if np.median(i) >= 0 else -1.0)
    thirds = np.quantile(v, (1 / 3, 2 / 3))
    v_high, v_low = np.median(v[v >= thirds[1]]), np.median(v[v <= thirds[0]])
    i_high, i_low = np.median(i[v >= thirds[1]]), np.median(i[v <= thirds[0]])
    if v_high < _LEAST_FALL * v_low or min(i_high, i_low) <= 0:
        return None
    power = float(np.log(i_high / i_low) / np.log(v_high / v_low))
    middle = float(np.median(i))
    if abs(power) < _POWER_SHARE and np.std(i) < _POWER_SHARE * middle:
        return LoggedLoad("constant", None, None, middle)
    if abs(power - 1.0) >= _POWER_SHARE or np.corrcoef(v, i)[0, 1] < _LEAST_CORRELATION:
        return None
    conductance = float(np.sum(v * i) / np.sum(v**2))
    scatter = float(np.sqrt(np.sum((i - conductance * v) ** 2) / (len(v) - 1)))
    share = scatter / float(np.sqrt(np.sum(v**2))) / conductance
    return LoggedLoad("resistor", 1.0 / conductance, share / conductance, middle)


def is_other_load(seen: LoggedLoad | None, load_ohm: float) -> bool:
    """Whether the logged current speaks for another resistor, by over 10 %."""
    if seen is None or seen.ohm is None:
        return False
    doubt = max(CURRENT_MATCH_SHARE, 3.0 * seen.ohm_se / seen.ohm)
    return abs(seen.ohm / load_ohm - 1.0) > doubt


def question_load(one, trace, load_ohm: float) -> None:
    """Question a resistor unlike the one the logged current speaks for.

    Parameters
    ----------
    one : object
        The test: ``question(message, column)``.
    trace : Trace
        Its record.
    load_ohm : float
        The resistor as stated. [Ω]
    """
    if trace.current_A is None:
        return
    seen = read_load(trace.time_s, trace.voltage_V, trace.current_A)
    if is_other_load(seen, load_ohm):
        one.question(
            f"load_ohm says {load_ohm:g} Ω, which was used; voltage over current of the record is "
            f"{seen.ohm:.4g} Ω. Correct one: the table, or the unit of current or voltage in the "
            "column map.",
            "load_ohm",
        )


def start_of_decay(
    time_s: np.ndarray, voltage_V: np.ndarray, *, instrument: dict | None = None
) -> tuple[float, float, float, float]:
    """Voltage at the terminals just after the resistor was connected.

    Parameters
    ----------
    time_s, voltage_V : (n,) arrays
        A record that `charscreen.capacitance.exponential.measure_decay` could evaluate. [s], [V]
    instrument : dict, optional
        Standard uncertainties; what is absent counts as exact.

    Returns
    -------
    tuple of float
        Moment and its standard uncertainty [s], zero where the record begins within the decay;
        voltage and its standard uncertainty [V].

    Raises
    ------
    ValueError
        No decay in the record.

    Notes
    -----
    The moment is midway between the last reading before connecting and the first after it, any
    time between them being as likely; the first reading where the record begins within the decay.
    An exponential through the readings of the first 0.3 τ is drawn to it. The uncertainty joins
    its standard error, the moment's (rectangular, over τ) and the meter's.
    """
    instrument = {**EXACT, **(instrument or {})}
    start, stop, before = find_decay(time_s, voltage_V)
    t, v = time_s[start:stop], voltage_V[start:stop]
    first = float(t[0]) if before is None else float(time_s[before])
    moment = 0.5 * (first + float(t[0]))
    u_moment = (float(t[0]) - first) / np.sqrt(12.0)
    fit = fit_exponential(t - moment, v)
    early = t <= t[0] + _EARLY_SHARE * fit.tau_s
    if early.sum() >= 3:
        fit = fit_or_none(t[early] - moment, v[early]) or fit
    parts = (
        fit.voltage_0_V_se,
        fit.voltage_0_V * u_moment / fit.tau_s,
        fit.voltage_0_V * instrument["voltage_percent"] / 100.0,
        instrument["voltage_offset_mV"] * 1e-3,
    )
    return moment, float(u_moment), fit.voltage_0_V, float(np.sqrt(np.sum(np.square(parts))))
