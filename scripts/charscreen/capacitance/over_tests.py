"""Figures of one cell from several of its tests."""

import numpy as np


def choose_method(tests: list[dict], method_order: list[str]) -> tuple[str | None, list[dict]]:
    """The first method of the order that a cell has a capacitance from, and its tests."""
    for method in method_order:
        used = [t for t in tests if t["method"] == method and t.get("capacitance_F") is not None]
        if used:
            return method, used
    return None, []


def mean_of_tests(tests: list[dict], name: str) -> tuple[float | None, float | None]:
    """Plain mean over tests and its standard uncertainty; see `mean_with_parts`."""
    return mean_with_parts(tests, name)[:2]


def mean_with_parts(tests: list[dict], name: str) -> tuple[float | None, ...]:
    """Plain mean over tests, its standard uncertainty, and the parts of types A and B.

    Parameters
    ----------
    tests : list of dict
        Rows of test_results.
    name : str
        Column; its uncertainty is in ``<name>_se``, the parts in ``<name>_se_a`` and ``_se_b``;
        an uncertainty that is not parted counts as type B.

    Returns
    -------
    tuple of float or None
        None where no test has the figure; without uncertainty where none is stated.

    Notes
    -----
    Tests of one cell share instrument and cell, so weights by stated uncertainties would promise
    too much. Type A: scatter between tests over √n, not less than that stated over √n. Type B:
    the mean of those stated, common to all.
    """
    known = [t for t in tests if t.get(name) is not None]
    if not known:
        return None, None, None, None
    values = np.array([t[name] for t in known], dtype=float)
    stated = [t for t in known if t.get(f"{name}_se") is not None]
    n = len(values)
    if not stated and n == 1:
        return float(values[0]), None, None, None
    own = [t.get(f"{name}_se_a") or 0.0 for t in stated]
    common = [
        t[f"{name}_se"] if t.get(f"{name}_se_b") is None else t[f"{name}_se_b"] for t in stated
    ]
    scatter2 = float(np.var(values, ddof=1)) if n > 1 else 0.0
    own2 = float(np.mean(np.square(own))) if stated else 0.0
    u_a = float(np.sqrt(max(scatter2, own2) / n))
    u_b = float(np.sqrt(np.mean(np.square(common)))) if stated else 0.0
    return float(values.mean()), float(np.hypot(u_a, u_b)), u_a, u_b
