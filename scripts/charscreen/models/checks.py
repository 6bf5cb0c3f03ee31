"""Checks of a fitted model: what would speak against it, with a number for each."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from charscreen.mixed.errors import MixedModelError
from charscreen.mixed.fit import MixedFit, fit_mixed
from charscreen.models.covariates import SAME_TEMPERATURE_C, SHORTEST_HOLD_MIN, is_activated
from charscreen.models.fixed_view import FixedView
from charscreen.models.reading import Reading
from charscreen.models.tables import CHECK_COLUMNS
from charscreen.models.terms import levels_of

LEVEL = 0.01
"""Several checks are made of each model, so a p below this is pointed out."""
POWERS = np.linspace(-1.5, 2.5, 17)
POWER_LIMIT = 2.706
"""Excess of the deviance inside a 90 % interval: chi-square with one degree of freedom."""
CUT = 1.5
"""Huber's constant: residuals beyond so many standard deviations are weighed down."""
GOOD = "no sign of trouble"


@dataclass
class _Given:
    """What the checks look at."""

    view: FixedView
    data: pd.DataFrame
    random: list[str]
    scale: str
    unit: str
    reading: Reading
    profile: dict

    @property
    def fit(self) -> MixedFit:
        return self.view.fit

    def refit(self, formula: str | None = None, **columns) -> MixedFit | None:
        """The fixed view with other terms or columns; None where it cannot be fitted."""
        random = columns.pop("random", self.random)
        try:
            return fit_mixed(
                formula or self.view.record["formula_fixed"],
                self.data.assign(**columns),
                random=random,
                weights="w",
                start=self.fit.ratios,
            )
        except MixedModelError:
            return None


def check_model(
    view: FixedView,
    data: pd.DataFrame,
    random: list[str],
    *,
    scale: str,
    unit: str,
    reading: Reading,
    profile: dict,
) -> tuple[pd.DataFrame, np.ndarray | None, list[str]]:
    """Checks of the view with feedstock fixed.

    Parameters
    ----------
    view : FixedView
        Fitted.
    data : DataFrame
        Its rows, with order (of the firings), value, peak_temperature_C, hold_min.
    random : list of str
        Levels of the experiment.
    scale : str
        ``log`` or ``logit``.
    unit : str
        ``cell`` or ``lot``.
    reading : Reading
    profile : dict
        From `power_profile`.

    Returns
    -------
    table : DataFrame
        Columns `CHECK_COLUMNS`, one row per check.
    robust : (p,) array or None
        Coefficients with far observations weighed down.
    flags : list of str
        Sentences on what p < 0.01 or a shift beyond one standard error speak of.

    Notes
    -----
    Lack of fit: F (Kenward-Roger) of the settings of the firings beyond the terms, against
    firings at equal settings. Trend: F of the firings' order in time, and of the cells' in the
    order of assembly. Transform: 90 % interval of `power_profile`. Scatter of
    activated lots: likelihood ratio of two variances against one. Normality: Shapiro & Wilk's W
    of standardised effects. Robust: Huber weights from leverage-corrected residuals.
    """
    given = _Given(view, data, random, scale, unit, reading, profile)
    rows, flags = [], []
    robust = robust_effects(given)
    makers: list[Callable] = [_lack_of_fit, _trend, _power, _activated_scatter, _normal, _farthest]
    for maker in makers:
        for row, flag in maker(given):
            rows.append(row)
            flags += [flag] if flag else []
    for row, flag in (*_robust(given, robust), *_reading(given)):
        rows.append(row)
        flags += [flag] if flag else []
    return pd.DataFrame(rows, columns=CHECK_COLUMNS), robust, flags


def _row(check: str, words: str, verdict: str, **numbers) -> dict:
    empty = dict.fromkeys(CHECK_COLUMNS, np.nan)
    return empty | {"check": check, "words": words, "verdict": verdict} | numbers


def _judged(check: str, words: str, p: float, flag: str, **numbers):
    bad = p < LEVEL
    return _row(
        check, words, "look at this" if bad else f"{GOOD} (limit {LEVEL:g})", p=p, **numbers
    ), flag if bad else ""


def _extra_term(given: _Given, name: str, column) -> tuple[float, float, float, float] | None:
    """F, df, p and slope of one more term in the fixed view."""
    formula = f"{given.view.record['formula_fixed']} + {name}"
    fit = given.refit(formula, **{name: column})
    if fit is None:
        return None
    tests = fit.test_terms().set_index("term")
    if name not in tests.index:
        return None
    row = tests.loc[name]
    slope = float(fit.fixed_effects.get(name, np.nan))
    return float(row["F"]), float(row["df_den"]), float(row["p"]), slope


def _lack_of_fit(given: _Given):
    words = "lack of fit of temperature and hold, against firings at equal settings"
    data = given.data
    level = levels_of(data["peak_temperature_C"].to_numpy(float), SAME_TEMPERATURE_C)
    hold = levels_of(np.log2(np.maximum(data["hold_min"].to_numpy(float), SHORTEST_HOLD_MIN)), 0.2)
    setting = pd.Series([f"s{a}_{b}" for a, b in zip(level, hold, strict=True)], index=data.index)
    if data.groupby(setting)["firing"].nunique().max() < 2:
        yield _row("lack_of_fit", words, "not known: no setting was fired twice"), ""
        return
    found = _extra_term(given, "setting", setting)
    if found is None:
        yield _row("lack_of_fit", words, "not known: the terms use up the settings"), ""
        return
    F, df, p, _ = found
    flag = (
        "The terms of temperature and hold do not describe all settings (lack of fit, "
        f"p = {p:.2g}): some setting lies off the curve."
    )
    yield _judged("lack_of_fit", words, p, flag, statistic=F, df=df)


def _trend(given: _Given):
    words = "trend over the firings in the order of time, first to last"
    order = given.data["order"].to_numpy(float)
    if given.data["firing"].nunique() < 4 or np.ptp(order) == 0:
        yield _row("trend", words, "not known: fewer than four firings"), ""
    else:
        yield _drift(given, "trend", words, order, "firing")
    if (given.data["run_order_by"] == "assembled").all():
        words = "trend over the cells in the order of assembly, first to last"
        made = given.data["run_order"].to_numpy(float)
        yield _drift(given, "trend_assembled", words, made, "cell made")


def _drift(given: _Given, check: str, words: str, order: np.ndarray, what: str):
    found = _extra_term(given, "place_in_time", (order - order.min()) / np.ptp(order))
    if found is None:
        return _row(check, words, "not known: order and settings changed together"), ""
    F, df, p, slope = found
    flag = f"The values drift from the first {what} to the last (p = {p:.2g})."
    return _judged(check, words, p, flag, statistic=F, df=df, estimate=slope)


def power_profile(fit: MixedFit, values: np.ndarray, scale: str) -> dict:
    """How much worse other powers than the best suit the model.

    Parameters
    ----------
    fit : MixedFit
        The view with feedstock fixed.
    values : (n,) array
        Natural values, in the unit of the model.
    scale : str
        ``log``: powers of the value; ``logit``: of its odds.

    Returns
    -------
    dict
        ``power`` and ``excess`` (the deviance above its least) on an even grid, ``limit``,
        ``best``, and ``lo`` and ``hi`` of the powers inside the limit.

    Notes
    -----
    Box & Cox's profile (1964, J. R. Stat. Soc. B 26, 211; from memory) by full likelihood at the
    ratios of the fit.
    """
    from scipy.interpolate import CubicSpline

    base = values / (100.0 - values) if scale == "logit" else values
    logs = np.log(base)
    z = logs - logs.mean()  # geometric mean 1: then no Jacobian is left
    powered = [z if abs(power) < 1e-9 else np.expm1(power * z) / power for power in POWERS]
    squares = fit.deletion.residual_squares(np.column_stack(powered))
    fine = np.linspace(POWERS[0], POWERS[-1], 801)
    curve = CubicSpline(POWERS, len(base) * np.log(squares))(fine)
    excess = curve - curve.min()
    inside = fine[excess <= POWER_LIMIT]
    return {
        "power": fine[::5].round(6).tolist(),
        "excess": excess[::5].round(6).tolist(),
        "limit": POWER_LIMIT,
        "best": float(fine[excess.argmin()]),
        "lo": float(inside[0]),
        "hi": float(inside[-1]),
    }


def _power(given: _Given):
    what = "odds" if given.scale == "logit" else "value"
    words = f"power of the {what} that suits the model best (0 is its {given.scale})"
    best, lo, hi = (given.profile[name] for name in ("best", "lo", "hi"))
    good = lo <= 0.0 <= hi
    flag = (
        f"A power of {best:.2g} of the {what} ({lo:.2g} to {hi:.2g}) would suit better than its "
        "logarithm: compare the alternatives."
    )
    row = _row("power", words, GOOD if good else "look at this", estimate=best, lo=lo, hi=hi)
    yield row, "" if good else flag


def _activated_scatter(given: _Given):
    activated = is_activated(given.data["activation"])
    if activated.all() or not activated.any():
        return
    level = next((name for name in ("aliquot", "lot") if name in given.random), None)
    words = "standard deviation between activated lots over that between others"
    if level is None:
        yield _row("activated_scatter", words, "not known: lots are not a level"), ""
        return
    label = given.data[level]
    rest = [name for name in given.random if name != level]
    fit = given.refit(
        random=[*rest, "lot_activated", "lot_other"],
        lot_activated=label.where(activated, None),
        lot_other=label.where(~activated, None),
    )
    found = {} if fit is None else fit.variance_components.to_dict()
    if "lot_activated" not in found or "lot_other" not in found:
        yield _row("activated_scatter", words, "not known: too few lots of one kind"), ""
        return
    from scipy.special import chdtrc

    gain = max(given.fit.reml_deviance - fit.reml_deviance, 0.0)
    p = float(chdtrc(1, gain))
    low = found["lot_other"]
    ratio = float(np.sqrt(found["lot_activated"] / low)) if low > 0 else np.inf
    more = "more" if ratio > 1 else "less"
    flag = (
        f"Activated lots scatter {more} than others (p = {p:.2g}), the model takes them as alike."
    )
    yield _judged("activated_scatter", words, p, flag, estimate=ratio, statistic=gain, df=1.0)


def _normal(given: _Given):
    from scipy.stats import shapiro

    effects = {name: given.fit.deletion.standardised_effects(k)
               for k, name in enumerate(given.fit.random)}  # fmt: skip
    effects[given.unit] = given.fit.deletion.standardised()
    for name, values in effects.items():
        values = values[np.isfinite(values)]
        words = f"normal distribution of the effects of single {name.replace('_', ' ')}s"
        if len(values) < 5:
            yield _row(f"normal_{name}", words, "not known: fewer than five, or no scatter"), ""
            continue
        W, p = shapiro(values[:5000])
        flag = f"The effects of {name.replace('_', ' ')}s are not normally spread (p = {p:.2g})."
        yield _judged(f"normal_{name}", words, float(p), flag, statistic=float(W))


def _farthest(given: _Given):
    from scipy.special import ndtr

    size = np.abs(given.fit.deletion.standardised())
    at = int(size.argmax())
    p = float(min(1.0, 2.0 * len(size) * ndtr(-size[at])))
    name = given.data["id"].iloc[at]
    words = f"the {given.unit} farthest from the model, {name}, in its standard deviations"
    flag = f"{given.unit.capitalize()} {name} lies {size[at]:.1f} standard deviations off."
    yield _judged("farthest", words, p, flag, estimate=float(size[at]))


def robust_effects(given: _Given) -> np.ndarray | None:
    """Coefficients (p,) with observations far from the model weighed down; None if it fails."""
    fit, known = given.fit, given.data["w"].to_numpy(float)
    for _ in range(5):
        size = np.abs(fit.deletion.standardised())
        scale = np.median(size) / 0.6745
        weight = np.minimum(1.0, CUT / np.maximum(size / max(scale, 1e-12), 1e-12))
        if (weight > 0.999).all():
            break
        fit = given.refit(w=known * weight)
        if fit is None or list(fit.fixed_effects.index) != list(given.fit.fixed_effects.index):
            return None
    return fit.fixed_effects.to_numpy()


def _robust(given: _Given, robust: np.ndarray | None):
    words = "largest shift of an effect where far observations are weighed down, in its se"
    if robust is None:
        yield _row("robust", words, "not known: the robust fit failed"), ""
        return
    se = np.sqrt(np.diag(given.fit.fixed_effects_cov.to_numpy()))
    shift = np.abs(robust - given.fit.fixed_effects.to_numpy()) / se
    at = int(shift[1:].argmax()) + 1 if len(shift) > 1 else 0
    label = given.view.labels[at]
    large = shift[at] > 1.0
    verdict = f"look at this: {label}" if large else GOOD
    flag = (
        f"A few far observations move an effect by {shift[at]:.1f} standard errors ({label}): "
        "its robust estimate stands beside it."
    )
    yield _row("robust", words, verdict, estimate=float(shift[at])), flag if large else ""


def _reading(given: _Given):
    words = "standard error of a reading over the residual standard deviation"
    if given.reading.variance is None:
        yield _row("reading", words, "not known: no reading has a standard error"), ""
        return
    residual = given.fit.variance_components["residual"]
    if given.reading.weighted:
        residual = residual + given.reading.variance
    ratio = float(np.sqrt(given.reading.variance / residual))
    verdict = "weighed by it" if given.reading.weighted else "no weights needed"
    flag = ""
    if not given.reading.weighted and ratio > 1.3:
        verdict = "look at this"
        flag = (
            f"The stated errors of the readings are {ratio:.1f} times what the {given.unit}s "
            "scatter: they are stated too large."
        )
    yield _row("reading", words, verdict, estimate=ratio), flag
