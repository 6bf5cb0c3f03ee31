"""Hours, energy and money of a firing and of a lot."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

ROOM_TEMPERATURE_C = 20.0


def heating_hours(
    peak_temperature_C: ArrayLike, hold_min: ArrayLike, *, ramp_C_per_min: float | None
) -> np.ndarray:
    """Hours a firing takes until the end of its hold.

    Parameters
    ----------
    peak_temperature_C, hold_min : array_like of one shape
        Peak and hold of each firing. [°C, min]
    ramp_C_per_min : float or None
        Heating rate; without one heating up counts as nothing. [°C/min]

    Returns
    -------
    array of that shape
        ((T - 20 °C)/ramp + hold)/60. [h]
    """
    peak, hold = np.asarray(peak_temperature_C, float), np.asarray(hold_min, float)
    up = np.maximum(peak - ROOM_TEMPERATURE_C, 0) / ramp_C_per_min if ramp_C_per_min else 0.0
    return (up + hold) / 60.0


def firing_cost(heating_h: ArrayLike, *, power_kW: float, prices: Mapping) -> np.ndarray:
    """Money one firing takes: electricity while heating, and labour.

    Parameters
    ----------
    heating_h : array_like
        Hours of heating, from `heating_hours`. [h]
    power_kW : float
        Power of the kiln while heating; the most it can take, since a kiln that holds its
        temperature takes less. [kW]
    prices : mapping
        ``electricity_per_kWh``, ``labour_per_h``, ``labour_h_per_firing``; None or absent counts
        as nothing. [money/kWh, money/h, h]

    Returns
    -------
    array of the shape of `heating_h`
        [money]
    """
    hours = np.asarray(heating_h, float)
    labour = _price(prices, "labour_per_h") * _price(prices, "labour_h_per_firing")
    return hours * power_kW * _price(prices, "electricity_per_kWh") + labour


def lot_cost(
    *,
    feed_ar_kg: ArrayLike,
    feed_price_per_kg: ArrayLike,
    koh_g: ArrayLike,
    char_taken_g: ArrayLike,
    firing_share: ArrayLike,
    prices: Mapping,
) -> np.ndarray:
    """Money one lot takes: feed, chemicals, labour and its share of its firings.

    Parameters
    ----------
    feed_ar_kg : array_like
        Raw feed as received. [kg]
    feed_price_per_kg : array_like
        Its price; NaN counts as nothing. [money/kg]
    koh_g : array_like
        KOH as weighed; 0 where none. [g]
    char_taken_g : array_like
        Char taken for activation, from which the acid is counted; 0 where none. [g]
    firing_share : array_like
        Cost of the firings it goes through, each divided by the crucibles it holds. [money]
    prices : mapping
        ``koh_per_kg``, ``acid_per_L``, ``acid_mL_per_g_char``, ``labour_per_h``,
        ``labour_h_per_lot``; None or absent counts as nothing.

    Returns
    -------
    array
        [money]
    """
    feed = np.asarray(feed_ar_kg, float) * np.nan_to_num(np.asarray(feed_price_per_kg, float))
    koh = np.asarray(koh_g, float) / 1000 * _price(prices, "koh_per_kg")
    acid_L = np.asarray(char_taken_g, float) * _price(prices, "acid_mL_per_g_char") / 1000
    labour = _price(prices, "labour_per_h") * _price(prices, "labour_h_per_lot")
    acid = acid_L * _price(prices, "acid_per_L")
    return feed + koh + acid + labour + np.asarray(firing_share, float)


def _price(prices: Mapping, name: str) -> float:
    return float(prices.get(name) or 0.0)
