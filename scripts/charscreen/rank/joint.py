"""Yield and capacitance of one lot: whether they go into one response, and what they share."""

from collections.abc import Mapping

import numpy as np

LEAST_LOTS = 12
"""Lots with yield and cells from which on they carry a response of their own."""
LEAST_SHARE = 0.8
"""And the share they must be of the lots that the single models rest on."""
_PARTS = ("char_yield", "activation_yield", "capacitance")
_SHARED = {"temperature", "log2_hold", "koh_ratio", "activation_temperature"}
_SHARED |= {"activation_log2_hold", "activated"}


def joint_reason(models: Mapping[str, dict]) -> str:
    """Why device farads per kg of feed are not drawn as a response of their own, or "".

    Parameters
    ----------
    models : mapping of str to dict
        Model records: char_yield, activation_yield, capacitance, device_farads; may lack any.

    Notes
    -----
    The response is taken where `LEAST_LOTS` lots or more have both, these are `LEAST_SHARE` of the
    lots of the single models or more, and it has a term for each factor that one of these has a
    term for: with less, more would be lost by leaving lots out than is won by not assuming
    independence (common practice, no source).
    """
    joint = models.get("device_farads", {})
    if not joint.get("fitted"):
        return "there is no model of it"
    n = joint["n_lots"]
    parts = [models[name] for name in _PARTS if models.get(name, {}).get("fitted")]
    if n < LEAST_LOTS:
        return f"{n} lots have both yield and cells, fewer than {LEAST_LOTS}"
    most = max((part["n_lots"] for part in parts), default=n)
    if n < LEAST_SHARE * most:
        return f"only {n} of {most} lots have both yield and cells"
    own = {term["name"] for term in joint["terms"]}
    for part in parts:
        for term in part["terms"]:
            if term["name"] in _SHARED - own:
                words = part["covariates"][term["name"]].get("words", term["name"])
                return f"the lots with both carry no term for {words}"
    return ""


def residual_correlation(
    models: Mapping[str, dict], *, interval_percent: float = 90.0
) -> dict | None:
    """Correlation of yield and capacitance over lots, after feedstock and condition.

    Parameters
    ----------
    models : mapping of str to dict
        Model records; their ``deviations`` (run, lot, value on the log scale) are used.
    interval_percent : float
        Level of the interval. [%]

    Returns
    -------
    dict or None
        r, lo, hi, n_lots; None where fewer than five lots have both.

    Notes
    -----
    Deviations are observed minus predicted for the feedstock at what the kiln did, firing and
    lot scatter left in, on the log scale; the yield is that of all steps. The interval is
    Fisher's z, which counts lots as independent although firings tie them (from memory).
    """
    char = {d["lot"]: d["value"] for d in models.get("char_yield", {}).get("deviations", [])}
    step = {d["run"]: d["value"] for d in models.get("activation_yield", {}).get("deviations", [])}
    pairs = []
    for deviation in models.get("capacitance", {}).get("deviations", []):
        overall = char.get(deviation["lot"])
        if overall is None:
            continue
        if deviation["activated"]:
            if deviation["run"] not in step:
                continue
            overall = overall + step[deviation["run"]]
        pairs.append((overall, deviation["value"]))
    if len(pairs) < 5:
        return None
    x, y = np.array(pairs).T
    if np.ptp(x) == 0 or np.ptp(y) == 0:
        return None
    r = float(np.corrcoef(x, y)[0, 1])
    from scipy.special import ndtri

    half = float(ndtri(0.5 + interval_percent / 200)) / np.sqrt(len(pairs) - 3)
    z = np.arctanh(np.clip(r, -0.999999, 0.999999))
    return {
        "r": r,
        "lo": float(np.tanh(z - half)),
        "hi": float(np.tanh(z + half)),
        "n_lots": len(pairs),
    }
