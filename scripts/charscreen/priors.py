"""Yields and scatter kept from a fit: config/priors.yaml, read for the next plan."""

import math
from collections.abc import Mapping
from pathlib import Path

import yaml

from charscreen.findings import STOPS, Finding, nearest
from charscreen.safe_yaml import YamlRefused, load_node

FILE = "priors.yaml"
CHAR_YIELD, ACTIVATION_YIELD = "char_yield", "activation_yield"
MODELS = (CHAR_YIELD, ACTIVATION_YIELD, "capacitance")
_SECTION_KEYS = ("scale", "lots", "firings", "scatter", "expected")
_ENTRY_NUMBERS = {
    "peak_temperature_C": (0.0, 2000.0),
    "hold_min": (0.0, 10000.0),
    "mean_percent": (0.0, 100.0),
    "spread_percent": (0.0, 200.0),
}
# A kept yield stands for conditions no further away than this. Common practice, no source.
NEAR_C, NEAR_HOLD = 25.0, 1.25


def read_priors(path: str | Path) -> tuple[dict, list[Finding]]:
    """The priors of a screen and what is wrong with them.

    Parameters
    ----------
    path : path-like
        config/priors.yaml; it may be absent.

    Returns
    -------
    priors : dict
        By model: scale, lots, firings, scatter (level to standard deviation on that scale) and
        expected (list of feedstock, peak_temperature_C [°C], hold_min [min], mean_percent,
        spread_percent [%]). Empty where there is no file, or where it cannot be used.
    findings : list of Finding
        All of them stop.
    """
    path = Path(path)
    if not path.exists():
        return {}, []
    problems: list[Finding] = []

    def problem(key: str, message: str) -> None:
        remedy = "Correct it, or delete the file and keep the priors anew."
        problems.append(Finding("priors", None, key, "", STOPS, f"{message} {remedy}", file=FILE))

    try:
        content = load_node(path)[1]
    except YamlRefused as error:
        problem("", str(error))
        return {}, problems
    except yaml.YAMLError as error:
        first = str(error).splitlines()[0]
        problem("", f"The file cannot be read ({first}).")
        return {}, problems
    if content is None:
        return {}, []
    if not isinstance(content, dict):
        problem("", "The file holds no sections.")
        return {}, problems
    for name, section in content.items():
        if name not in MODELS:
            near = nearest(str(name), MODELS)
            meant = f" Did you mean '{near}'?" if near else f" Known are {', '.join(MODELS)}."
            problem(str(name), f"The section is unknown.{meant}")
            continue
        if not isinstance(section, dict):
            problem(name, "The section holds no keys.")
            continue
        for key in section:
            if key not in _SECTION_KEYS:
                problem(f"{name}.{key}", "The key is unknown.")
        _check_expected(name, section.get("expected") or [], problem)
        scatter = section.get("scatter") or {}
        if not isinstance(scatter, dict) or not all(
            _is_number(value) and value >= 0 for value in scatter.values()
        ):
            problem(f"{name}.scatter", "The scatter is not a number from 0 for each level.")
    return ({} if problems else content), problems


def _check_expected(name: str, entries: object, problem) -> None:
    if not isinstance(entries, list):
        problem(f"{name}.expected", "It is no list.")
        return
    for i, entry in enumerate(entries, start=1):
        where = f"{name}.expected, entry {i}"
        if not isinstance(entry, dict) or not isinstance(entry.get("feedstock"), str):
            problem(where, "The entry names no feedstock.")
            continue
        for key, (low, high) in _ENTRY_NUMBERS.items():
            value = entry.get(key)
            least_open = key == "mean_percent"
            if (
                not _is_number(value)
                or not low <= value <= high
                or (least_open and not low < value <= high)
            ):
                problem(
                    f"{where}, {key}",
                    f"'{value}' is no number {'above' if least_open else 'from'} {low:g} to "
                    f"{high:g}.",
                )


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < 1e300


def expected_yield(
    priors: Mapping, model: str, feedstock: str, *, peak_temperature_C: float, hold_min: float
) -> tuple[float, float] | None:
    """Kept yield of a feedstock nearest to a condition, and its spread between lots.

    Parameters
    ----------
    priors : mapping
        From `read_priors`.
    model : str
        `CHAR_YIELD` or `ACTIVATION_YIELD`.
    feedstock : str
        Feedstock.
    peak_temperature_C, hold_min : float
        Condition of the char firing. [°C], [min]

    Returns
    -------
    tuple of float, or None
        Mean [%] and relative standard deviation [%]; None where nothing is kept within 25 °C
        and a factor of 1.25 in hold.
    """
    near = []
    for entry in (priors.get(model) or {}).get("expected") or []:
        if entry["feedstock"] != feedstock:
            continue
        off_C = abs(entry["peak_temperature_C"] - peak_temperature_C)
        low, high = sorted((entry["hold_min"], hold_min))
        off_hold = 1.0 if low == high else high / low if low > 0 else math.inf
        if off_C <= NEAR_C and off_hold <= NEAR_HOLD:
            near.append((off_C / NEAR_C + math.log(off_hold) / math.log(NEAR_HOLD), entry))
    if not near:
        return None
    best = min(near, key=lambda item: item[0])[1]
    return float(best["mean_percent"]), float(best["spread_percent"])
