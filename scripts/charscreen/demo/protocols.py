"""What the bench does to a cell: cycles at constant current, discharge through a resistor."""

from dataclasses import dataclass

import numpy as np

from charscreen.demo.circuit import Cell, Drive, Phase, constant_current, held_voltage, through_load

DISCHARGED_V = 0.0
LONGEST_PHASE_S = 600.0


@dataclass(frozen=True)
class Record:
    """True course of one test at the moments a logger looks, before its errors.

    Parameters
    ----------
    time_s, voltage_V, current_A : (n,) array
        Current is positive on charge. [s, V, A]
    step, cycle : (n,) array of int
        Step counted through the whole test, cycle from 1.
    """

    time_s: np.ndarray
    voltage_V: np.ndarray
    current_A: np.ndarray
    step: np.ndarray
    cycle: np.ndarray


class _Recorder:
    """Runs phases one after the other and keeps what falls on the logger's grid."""

    def __init__(self, cell: Cell, interval_s: float, log_steps: bool) -> None:
        self.cell, self.interval_s, self.log_steps = cell, interval_s, log_steps
        self.now_s, self.nodes = 0.0, np.zeros(cell.rungs)
        self.rows: list[tuple[np.ndarray, ...]] = []
        self.step = 0

    def run(
        self,
        drive: Drive,
        cycle: int,
        *,
        until_V: float | None = None,
        last_s: float = LONGEST_PHASE_S,
        cell: Cell | None = None,
    ) -> None:
        """One phase, until a voltage is reached or for a time."""
        phase = Phase(cell or self.cell, drive, self.nodes)
        length = last_s if until_V is None else phase.time_to(until_V, last_s)
        first = np.ceil(self.now_s / self.interval_s - 1e-9)
        last = np.ceil((self.now_s + length) / self.interval_s - 1e-9)
        inside = np.arange(first, last) * self.interval_s - self.now_s
        if self.log_steps:
            # A logger that runs the current itself notes the end of a step and its new start.
            inside = np.unique(np.r_[min(0.01, length / 2), np.maximum(inside, 0.0), length])
            inside = inside[(inside == length) | (inside < length - 0.02)]
            inside = inside[inside > 0]
        voltage, current = phase.terminal(inside)
        self.step += 1
        count = len(inside)
        self.rows.append(
            (
                self.now_s + inside,
                voltage,
                current,
                np.full(count, self.step),
                np.full(count, cycle),
            )
        )
        self.nodes = phase.nodes(np.array([length]))[0]
        self.now_s += length

    def record(self) -> Record:
        """All that was kept."""
        return Record(*(np.concatenate(column) for column in zip(*self.rows, strict=True)))


def cycle_cell(
    cell: Cell,
    *,
    current_A: float,
    upper_V: float,
    cycles: int,
    interval_s: float,
    hold_s: float = 0.0,
    rest_s: float = 0.0,
    log_steps: bool = True,
) -> Record:
    """Charge and discharge at constant current between nothing and the upper voltage.

    Parameters
    ----------
    cell : Cell
        In its first cycle it leaks more: side reactions of fresh electrodes die away.
    current_A, upper_V : float
        Size of the current and upper voltage. [A, V]
    cycles : int
        Number of cycles.
    interval_s : float
        Time between samples. [s]
    hold_s, rest_s : float
        Hold at the upper voltage before each discharge; rest before the first charge. [s]
    log_steps : bool
        Whether the logger also notes both ends of each step.
    """
    fresh = Cell(
        cell.capacitance_F,
        cell.series_ohm,
        cell.pore_ohm,
        1.0 / (1.0 / cell.leakage_ohm + current_A / (12.0 * upper_V)),
        cell.rungs,
    )
    recorder = _Recorder(cell, interval_s, log_steps)
    if rest_s:
        recorder.run(constant_current(0.0), 1, last_s=rest_s)
    for cycle in range(1, cycles + 1):
        now = fresh if cycle == 1 else cell
        recorder.run(constant_current(current_A), cycle, until_V=upper_V, cell=now)
        if hold_s:
            recorder.run(held_voltage(now, upper_V), cycle, last_s=hold_s, cell=now)
        recorder.run(constant_current(-current_A), cycle, until_V=DISCHARGED_V, cell=now)
    return recorder.record()


def discharge_through(
    cell: Cell, *, load_ohm: float, upper_V: float, last_s: float, interval_s: float, lead_s: float
) -> Record:
    """A full cell held for a while, then closed by a resistor.

    Parameters
    ----------
    load_ohm : float
        Resistor and meter together. [ohm]
    upper_V : float
        Voltage at which the cell was held for half an hour. [V]
    last_s, interval_s, lead_s : float
        Length of the discharge, time between samples, and how long before the resistor was
        connected the logger began. [s]
    """
    recorder = _Recorder(cell, interval_s, log_steps=False)
    held = Phase(cell, held_voltage(cell, upper_V), np.zeros(cell.rungs))
    recorder.nodes = held.nodes(np.array([1800.0]))[0]
    if lead_s:
        recorder.run(held_voltage(cell, upper_V), 1, last_s=lead_s)
    recorder.run(through_load(cell, load_ohm), 1, last_s=last_s)
    return recorder.record()
