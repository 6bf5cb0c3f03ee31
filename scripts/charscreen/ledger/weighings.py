"""Weighings of a lot as net masses with the uncertainty of reading them."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from charscreen.findings import nearest
from charscreen.uncertainty import reading_uncertainty

#: Masses of a lot, in the order in which the material passes the balance.
WEIGHINGS = (
    *("feed_ar", "feed_dry", "char", "char_ground", "char_washed", "char_taken", "koh"),
    *("activated_unwashed", "activated"),
)
#: Percentages that stand beside the masses.
PERCENTAGES = ("moisture_ar_percent", "char_ash_d_percent", "char_volatile_d_percent")


def net_masses(
    masses: pd.DataFrame,
    *,
    balances: Mapping[str, Mapping[str, float]],
    default_balance: str | None = None,
) -> pd.DataFrame:
    """Net masses of a table of weighings with the uncertainty of reading them.

    Parameters
    ----------
    masses : DataFrame
        Column ``run`` and any of ``<weighing>_g`` or ``<weighing>_gross_g`` with
        ``<weighing>_tare_g`` [g], `PERCENTAGES` [%], ``balance``.
    balances : mapping of str to mapping
        For each balance ``readability_g``, ``repeatability_g`` [g], ``calibration_percent`` [%].
    default_balance : str, optional
        Balance of the rows that name none; where there is one balance only, that one.

    Returns
    -------
    DataFrame
        Columns ``run``, ``balance`` (None where not known), ``calibration`` (relative
        standard uncertainty of the scale), ``readability`` and ``repeatability`` [g], for each
        weighing ``<weighing>_g`` and ``<weighing>_u`` [g] (reading alone), and the three
        percentages of the input [%].

    Raises
    ------
    ValueError
        Where a balance is not in `balances`.

    Notes
    -----
    Every mass is the difference of two readings: gross and tare, or the display before and after
    taring.
    """
    if default_balance is None and len(balances) == 1:
        default_balance = next(iter(balances))
    names = [
        name if name is not None else default_balance for name in text_column(masses, "balance")
    ]
    for name in dict.fromkeys(names):
        if name is not None and name not in balances:
            hint = nearest(name, balances)
            raise ValueError(
                f"balance {name!r} is not in the settings; known: {', '.join(balances)}"
                + (f" (did you mean {hint!r}?)" if hint else "")
            )

    def of_balance(key: str) -> np.ndarray:
        return np.array(
            [np.nan if name is None else float(balances[name].get(key) or 0.0) for name in names],
            dtype=float,
        )

    net = pd.DataFrame({"run": pd.Series(text_column(masses, "run"), dtype=object)})
    net["balance"] = pd.Series(names, dtype=object)
    net["calibration"] = of_balance("calibration_percent") / 100.0
    net["readability"], net["repeatability"] = (
        of_balance("readability_g"),
        of_balance("repeatability_g"),
    )
    one_reading = reading_uncertainty(
        readability_g=net["readability"].to_numpy(), repeatability_g=net["repeatability"].to_numpy()
    )
    for name in WEIGHINGS:
        given = number_column(masses, f"{name}_g")
        difference = number_column(masses, f"{name}_gross_g") - number_column(
            masses, f"{name}_tare_g"
        )
        net[f"{name}_g"] = np.where(np.isfinite(given), given, difference)
        net[f"{name}_u"] = one_reading * np.sqrt(2.0)
    for name in PERCENTAGES:
        net[name] = number_column(masses, name)
    return net


def number_column(frame: pd.DataFrame, name: str) -> np.ndarray:
    """A column as (n,) floats, NaN where empty or where the table lacks the column."""
    if name not in frame:
        return np.full(len(frame), np.nan)
    return pd.to_numeric(frame[name]).to_numpy(dtype=float, na_value=np.nan)


def text_column(frame: pd.DataFrame, name: str) -> np.ndarray:
    """A column as (n,) objects, None where empty or where the table lacks the column."""
    if name not in frame:
        return np.full(len(frame), None, dtype=object)
    column = frame[name].astype(object)
    return column.where(column.notna() & (column != ""), None).to_numpy(dtype=object)
