"""A record cut down to what a small picture shows, with the parts that were fitted marked."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from charscreen.capacitance.exponential import find_decay
from charscreen.capacitance.leakage import READ_AT_S, WINDOW_SHARE, find_hold
from charscreen.capacitance.self_discharge import find_decline
from charscreen.capacitance.voltammetry import MIDDLE_SHARE
from charscreen.files import write_bytes
from charscreen.traces.parts import Trace

BUCKETS = 60  # of each the lowest and the highest sample is kept
SHOWN_CYCLES = 3  # of a longer test: the last ones
COLUMNS = ("test", "time_s", "voltage_V", "current_A", "fitted")


def thin(
    trace: Trace,
    cycles: Sequence[dict],
    *,
    method: str,
    window_V: tuple[float, float],
    read_at_s: float = READ_AT_S,
) -> dict[str, np.ndarray]:
    """The samples a small picture needs.

    Parameters
    ----------
    trace : Trace
        The whole record.
    cycles : sequence of dict
        Its cycles: ``start_s``, ``discharge_s``; empty for methods without.
    method : str
        How the record was evaluated.
    window_V : tuple of float
        Upper and lower end of the window of a discharge at constant current. [V]
    read_at_s : float
        Time since a hold began at which its current is read. [s]

    Returns
    -------
    dict of str to (n,) array
        ``time_s`` from the first sample shown, ``voltage_V``, ``current_A`` (NaN where not
        logged), ``fitted`` (bool); of a test of more than five cycles the last three.
    """
    fitted = fitted_rows(trace, cycles, method=method, window_V=window_V, read_at_s=read_at_s)
    shown = _shown(trace.time_s, cycles)
    time, voltage = trace.time_s[shown], trace.voltage_V[shown]
    no_current = trace.current_A is None
    current = np.full(len(time), np.nan) if no_current else trace.current_A[shown]
    fitted = fitted[shown]
    key = current if method in ("voltammetry", "held_voltage") and not no_current else voltage
    kept = _extremes(key, fitted)
    return {
        "time_s": time[kept] - time[0],
        "voltage_V": voltage[kept],
        "current_A": current[kept],
        "fitted": fitted[kept],
    }


def fitted_rows(
    trace: Trace,
    cycles: Sequence[dict],
    *,
    method: str,
    window_V: tuple[float, float],
    read_at_s: float = READ_AT_S,
) -> np.ndarray:
    """Mask of the samples that the figures of a test rest on; parameters as in `thin`."""
    time, voltage = trace.time_s, trace.voltage_V
    out = np.zeros(len(time), dtype=bool)
    if method == "through_resistor":
        start, stop, _ = find_decay(time, voltage)
        out[start:stop] = True
    elif method == "held_voltage" and trace.current_A is not None:
        start, stop = find_hold(voltage)
        since = time[start:stop] - time[start]
        moment = min(read_at_s, float(since[-1]))
        out[start:stop] = np.abs(since - moment) <= WINDOW_SHARE * moment
    elif method == "constant_current":
        for cycle in cycles:
            a, b = np.searchsorted(time, _span(cycle))
            v = voltage[a : b + 1]
            out[a : b + 1] = (v <= window_V[0]) & (v >= window_V[1])
    elif method == "voltammetry":
        low, high = float(voltage.min()), float(voltage.max())
        edge = 0.5 * (1.0 - MIDDLE_SHARE) * (high - low)
        out = (voltage > low + edge) & (voltage < high - edge)
    elif method == "open_circuit":
        try:
            start, stop = find_decline(time, voltage)
        except ValueError:  # the method looked at a part of the record only
            start, stop = 0, len(time)
        out[start:stop] = True
    else:
        out[:] = True
    return out


def _span(cycle: dict) -> tuple[float, float]:
    return cycle["start_s"], cycle["start_s"] + (cycle.get("discharge_s") or 0.0)


def _shown(time: np.ndarray, cycles: Sequence[dict]) -> slice:
    """All samples, or those of the last cycles of many."""
    if len(cycles) <= SHOWN_CYCLES + 2:
        return slice(0, len(time))
    begin = _span(cycles[-SHOWN_CYCLES - 1])[1]
    end = _span(cycles[-1])[1]
    a, b = np.searchsorted(time, [begin, end])
    return slice(int(a), min(int(b) + 1, len(time)))


def _extremes(values: np.ndarray, fitted: np.ndarray) -> np.ndarray:
    """Indices of the ends, of the lowest and highest value per bucket, of where a fit begins."""
    n = len(values)
    if n <= 2 * BUCKETS:
        return np.arange(n)
    edges = np.linspace(0, n, BUCKETS + 1).astype(int)
    size = int(np.diff(edges).max())
    # Buckets as rows of one table, the last sample of a shorter one repeated.
    table = np.minimum(edges[:-1, None] + np.arange(size), edges[1:, None] - 1)
    each, inside = np.arange(BUCKETS), values[table]
    lowest, highest = table[each, inside.argmin(axis=1)], table[each, inside.argmax(axis=1)]
    turns = np.flatnonzero(np.diff(fitted.astype(np.int8)))
    kept = np.zeros(n, dtype=bool)
    kept[[0, n - 1]] = kept[lowest] = kept[highest] = True
    if len(turns) <= BUCKETS:
        kept[turns] = kept[turns + 1] = True
    return np.flatnonzero(kept)


def write_thinned(records: dict[str, dict[str, np.ndarray]], path: str | Path) -> None:
    """Write thinned records as one Parquet file with `COLUMNS`, in single precision.

    Parameters
    ----------
    records : dict
        Test to what `thin` gave.
    path : path-like
        Where to write.
    """
    import io

    import polars as pl

    names = [name for name, record in records.items() for _ in record["time_s"]]
    data = {"test": pl.Series(names, dtype=pl.String)}
    for column in COLUMNS[1:]:
        parts = [record[column] for record in records.values()]
        whole = np.concatenate(parts) if parts else np.zeros(0)
        data[column] = pl.Series(whole.astype(bool if column == "fitted" else np.float32))
    stream = io.BytesIO()
    pl.DataFrame(data).write_parquet(stream)
    write_bytes(path, stream.getvalue())
