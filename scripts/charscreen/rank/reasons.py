"""Why candidates have no draws of a merit, in words."""

from collections.abc import Sequence

import numpy as np

from charscreen.rounding import percent

WHAT = {
    "char_yield": "char yield",
    "activation_yield": "activation yield",
    "capacitance": "capacitance",
    "esr_area": "series resistance times area",
    "device_farads": "device farads per kg dry feed",
}
NO_MODEL = "there is no model of"


def not_finite(values: np.ndarray) -> list[str]:
    """Per candidate why it is not ranked where draws of it are no numbers, or ""."""
    if np.isfinite(values).all():
        return [""] * values.shape[1]
    reasons = []
    for part in np.mean(~np.isfinite(values), axis=0):
        much = "all" if part == 1 else percent(part)
        reason = (
            f"{much} of its draws are no numbers (a division by zero, a log or root of what is "
            "below zero, or too large a value)"
        )
        reasons.append(reason if part > 0 else "")
    return reasons


def naming(name: str, reasons: Sequence[str]) -> list[str]:
    """Reasons with the quantity they are about in front, where they do not name it."""
    told = (NO_MODEL, *(f"{words}: " for words in WHAT.values()))
    return [r if not r or r.startswith(told) else f"{WHAT[name]}: {r}" for r in reasons]


def first_reasons(reasons: Sequence[str], more: Sequence[str]) -> list[str]:
    """Per candidate the first reason given."""
    return [a or b for a, b in zip(reasons, more, strict=True)]
