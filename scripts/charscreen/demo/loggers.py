"""The bench's loggers: their small errors, and the layout of the files they leave behind.

The layouts are inventions of this demo, chosen so that every way of writing a number occurs.
"""

import gzip
from dataclasses import dataclass

import numpy as np

from charscreen.demo.protocols import Record

INVENTED = "invented data, charscreen demo"


@dataclass(frozen=True)
class Logger:
    """One instrument and its layout.

    Parameters
    ----------
    name : str
        Column map in the config that reads its files.
    ending : str
        File ending; ``.gz`` at its end compresses.
    interval_s : float
        Time between samples. [s]
    log_steps : bool
        Whether it also notes both ends of each step.
    hold_s, rest_s : float
        How it is usually set up: hold before each discharge, rest at the start. [s]
    noise_V, step_V, step_A : float
        Noise of a voltage reading, and the steps in which it writes. [V, V, A]
    """

    name: str
    ending: str
    interval_s: float
    log_steps: bool
    hold_s: float
    rest_s: float
    noise_V: float
    step_V: float
    step_A: float


LOGGERS = {
    logger.name: logger
    for logger in (
        Logger("plain", ".csv", 0.5, True, 0.0, 2.0, 2e-4, 1e-4, 1e-6),
        Logger("semicolon_comma", ".txt", 0.5, False, 5.0, 0.0, 3e-4, 1e-4, 1e-5),
        Logger("minutes_tab", ".txt", 0.5, True, 0.0, 3.0, 3e-4, 1e-4, 1e-6),
        Logger("discharge_positive", ".csv", 0.4, False, 4.0, 2.0, 4e-4, 1e-3, 1e-5),
        Logger("packed", ".csv.gz", 0.2, True, 3.0, 2.0, 2e-4, 1e-5, 1e-6),
        Logger("voltage_only", ".csv", 0.25, False, 0.0, 0.0, 5e-4, 1e-3, 0.0),
    )
}


def read_off(
    record: Record,
    logger: Logger,
    *,
    gain_V: float,
    offset_V: float,
    gain_A: float,
    rng: np.random.Generator,
) -> Record:
    """What the logger makes of the true course: gain, offset, noise, steps of its converter.

    Parameters
    ----------
    gain_V, gain_A : float
        Relative errors of the instrument, the same in all its files.
    offset_V : float
        Zero error of the instrument. [V]
    rng : Generator
        For the noise of this file.
    """
    voltage = record.voltage_V * (1.0 + gain_V) + offset_V
    voltage = voltage + rng.normal(0.0, logger.noise_V, len(voltage))
    current = record.current_A * (1.0 + gain_A)
    if logger.step_A:
        current = current + rng.normal(0.0, logger.step_A, len(current))
        current = np.rint(current / logger.step_A) * logger.step_A
    voltage = np.rint(voltage / logger.step_V) * logger.step_V
    return Record(record.time_s, voltage, current, record.step, record.cycle)


def write_trace(record: Record, logger: Logger, *, test: str) -> bytes:
    """Content of the file as this logger writes it."""
    text = _LAYOUTS[logger.name](record, test)
    data = text.encode("utf-8")
    # A fixed time stamp, or the same data would give other bytes tomorrow.
    return gzip.compress(data, mtime=0) if logger.ending.endswith(".gz") else data


def _lines(head: list[str], columns: list[list[str]], mark: str) -> str:
    return "\n".join([*head, *(mark.join(row) for row in zip(*columns, strict=True))]) + "\n"


def _numbers(values: np.ndarray, digits: int) -> list[str]:
    # Adding 0.0 turns the minus zero of a rounded tiny number into zero.
    return [f"{value:.{digits}f}" for value in np.round(values, digits) + 0.0]


def _plain(record: Record, test: str) -> str:
    columns = [
        _numbers(record.time_s, 2),
        _numbers(record.voltage_V, 4),
        _numbers(record.current_A, 6),
    ]
    head = [f"# {INVENTED}, test {test}", "time_s,voltage_V,current_A"]
    return _lines(head, columns, ",")


def _semicolon_comma(record: Record, test: str) -> str:
    columns = [
        _numbers(record.time_s, 1),
        _numbers(record.voltage_V, 4),
        _numbers(record.current_A, 5),
    ]
    columns = [[value.replace(".", ",") for value in column] for column in columns]
    head = [
        INVENTED,
        f"test;{test}",
        "sampling;0,5 s",
        "",
        "seconds;cell voltage (V);current (A)",
    ]
    return _lines(head, columns, ";")


def _minutes_tab(record: Record, test: str) -> str:
    columns = [
        _numbers(record.time_s / 60.0, 5),
        _numbers(1000.0 * record.voltage_V, 1),
        _numbers(1000.0 * record.current_A, 3),
    ]
    return _lines([f"{INVENTED}: {test}", "t/min\tU/mV\tI/mA"], columns, "\t")


def _discharge_positive(record: Record, test: str) -> str:
    columns = [
        [str(number) for number in range(1, len(record.time_s) + 1)],
        _numbers(record.time_s, 1),
        _numbers(-1000.0 * record.current_A, 2),
        _numbers(record.voltage_V, 3),
    ]
    head = [f"# {INVENTED}", "sample,elapsed_s,load_mA,volts"]
    return _lines(head, columns, ",")


def _packed(record: Record, test: str) -> str:
    columns = [
        _numbers(record.time_s, 3),
        [str(step) for step in record.step],
        [str(cycle) for cycle in record.cycle],
        _numbers(record.voltage_V, 5),
        _numbers(1000.0 * record.current_A, 3),
    ]
    head = [f"# {INVENTED}, test {test}", "time,part,round,potential,milliampere"]
    return _lines(head, columns, ",")


def _voltage_only(record: Record, test: str) -> str:
    columns = [_numbers(record.time_s, 2), _numbers(record.voltage_V, 3)]
    return _lines(["t_s,U_V"], columns, ",")


_LAYOUTS = {
    "plain": _plain,
    "semicolon_comma": _semicolon_comma,
    "minutes_tab": _minutes_tab,
    "discharge_positive": _discharge_positive,
    "packed": _packed,
    "voltage_only": _voltage_only,
}
