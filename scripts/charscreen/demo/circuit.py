"""A capacitor cell as a circuit: porous electrodes as a ladder, solved exactly.

The current enters through a series resistance, then through rungs of pore resistance with a
capacitance at each node, so that the inner surface of the carbon fills late, as it does in real
electrodes. Leakage stands across every node.
"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Cell:
    """Electrical parts of one cell.

    Parameters
    ----------
    capacitance_F : float
        Capacitance at rest, all rungs together. [F]
    series_ohm : float
        Leads, contacts, separator. [ohm]
    pore_ohm : float
        Pore resistance, all rungs together. [ohm]
    leakage_ohm : float
        Leakage across the cell; infinite for none. [ohm]
    rungs : int
        Number of rungs.
    """

    capacitance_F: float
    series_ohm: float
    pore_ohm: float
    leakage_ohm: float = np.inf
    rungs: int = 5

    @property
    def entry_ohm(self) -> float:
        """Resistance between the terminal and the first node. [ohm]"""
        return self.series_ohm + self.pore_ohm / self.rungs

    def matrix(self) -> np.ndarray:
        """(rungs, rungs) array. Conductances between the nodes and to ground. [S]"""
        n = self.rungs
        bridge = n / self.pore_ohm
        g = np.zeros((n, n))
        for k in range(n - 1):
            g[[k, k + 1], [k, k + 1]] += bridge
            g[[k, k + 1], [k + 1, k]] -= bridge
        g[np.arange(n), np.arange(n)] += 1.0 / (n * self.leakage_ohm)
        return g


@dataclass(frozen=True)
class Drive:
    """What is done to the cell: current into it = source_A - conductance_S * first node.

    Constant current: (I, 0). Held voltage U: (U/R, 1/R) with the entry resistance R.
    Load of R_L: (0, 1/(R_L + R)). Rest: (0, 0).
    """

    source_A: float
    conductance_S: float = 0.0


def constant_current(current_A: float) -> Drive:
    """Constant current, positive on charge."""
    return Drive(current_A)


def held_voltage(cell: Cell, voltage_V: float) -> Drive:
    """Terminal held at a voltage."""
    return Drive(voltage_V / cell.entry_ohm, 1.0 / cell.entry_ohm)


def through_load(cell: Cell, load_ohm: float) -> Drive:
    """Terminal closed by a resistor."""
    return Drive(0.0, 1.0 / (load_ohm + cell.entry_ohm))


class Phase:
    """The exact course of the node voltages under one drive, from a given start.

    Notes
    -----
    c dv/dt = -(G + g e1 e1') v + i e1, with equal node capacitance c; the matrix is symmetric, so
    its eigenvectors give v(t) = sum_k q_k [exp(-l_k t) q_k'v0 + (1 - exp(-l_k t))/l_k q_k'e1 i/c].
    """

    def __init__(self, cell: Cell, drive: Drive, start_V: np.ndarray) -> None:
        node_F = cell.capacitance_F / cell.rungs
        g = cell.matrix()
        g[0, 0] += drive.conductance_S
        self.cell, self.drive = cell, drive
        self.rate, self.vectors = np.linalg.eigh(g / node_F)
        self.start = self.vectors.T @ np.asarray(start_V, dtype=float)
        self.push = self.vectors[0] * drive.source_A / node_F

    def nodes(self, time_s: np.ndarray) -> np.ndarray:
        """(n, rungs) array. Node voltages at times since the start of the phase. [V]"""
        t = np.atleast_1d(np.asarray(time_s, dtype=float))[:, None]
        x = self.rate * t
        small = np.abs(x) < 1e-12
        # (1 - exp(-x))/x tends to 1: a mode without decay grows linearly in time.
        grown = np.where(small, t, t * -np.expm1(-x) / np.where(small, 1.0, x))
        return (np.exp(-x) * self.start + grown * self.push) @ self.vectors.T

    def terminal(self, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(n,) arrays. Terminal voltage [V] and current into the cell [A]."""
        first = self.nodes(time_s)[:, 0]
        current = self.drive.source_A - self.drive.conductance_S * first
        return first + self.cell.entry_ohm * current, current

    def time_to(self, voltage_V: float, longest_s: float) -> float:
        """Time at which the terminal first reaches a voltage, or `longest_s`. [s]

        The terminal voltage must run one way during the phase, as it does at constant current.
        """
        start, end = self.terminal(np.array([0.0, longest_s]))[0]
        rising = end > start
        if (end < voltage_V) if rising else (end > voltage_V):
            return longest_s
        low, high = 0.0, longest_s
        for _ in range(60):
            middle = 0.5 * (low + high)
            value = self.terminal(np.array([middle]))[0][0]
            if (value < voltage_V) == rising:
                low = middle
            else:
                high = middle
        return high
