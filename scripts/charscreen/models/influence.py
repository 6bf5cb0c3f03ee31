"""What would change if a firing, a lot or a cell were left out."""

import numpy as np
import pandas as pd

from charscreen.mixed.errors import MixedModelError
from charscreen.mixed.fit import MixedFit, fit_mixed
from charscreen.models.tables import INFLUENCE_COLUMNS

REFITTED = 5
"""Firings, those of the greatest distances, without which the scatter is estimated anew."""
MANY = 400
"""Groups of one level beyond which only those of the largest residuals are tried."""


def influence_table(
    fit: MixedFit, data: pd.DataFrame, means: tuple[list[str], np.ndarray], labels: list[str]
) -> pd.DataFrame:
    """Influence by firing, lot and observation.

    Parameters
    ----------
    fit : MixedFit
        View with feedstock fixed.
    data : DataFrame
        Its rows: id, firing, lot, w and all columns of the fit.
    means : list of str and (m, p) array
        Feedstock of each estimated mean (the feedstock's best condition counts), and its
        coefficients; their sign so that the greatest leads.
    labels : list of str
        Coefficients in words, length p.

    Returns
    -------
    DataFrame
        Columns `INFLUENCE_COLUMNS`, greatest Cook's distance first within a level. shift_se is
        the largest shift of an effect over its standard error, `term` the effect it is of;
        empty where something rests on the group alone. sd_change_percent only for the
        `REFITTED` most influential firings: change of the standard deviation of the experiment,
        all levels together, in a fit without it. [%]

    Notes
    -----
    The ratios of the variances are kept (`charscreen.mixed.deletion`), so this is what the
    other rows would say at the same picture of the scatter.
    """
    feedstocks, contrasts = means
    beta = fit.fixed_effects.to_numpy()
    se = np.sqrt(np.diag(fit.fixed_effects_cov.to_numpy()))
    top_all = _top(feedstocks, contrasts @ beta)
    levels = [("firing", data["firing"]), ("lot", data["lot"])]
    if data["id"].nunique() > data["lot"].nunique():
        levels.append(("cell", data["id"]))
    rows = []
    for level, groups in levels:
        places = groups.reset_index(drop=True).groupby(groups.to_numpy()).indices
        if len(places) > MANY:
            residuals = np.abs(fit.deletion.standardised())
            size = {k: residuals[at].max() for k, at in places.items()}
            places = {k: places[k] for k in sorted(size, key=lambda k: -size[k])[:MANY]}
        for group, at in places.items():
            _, shift, cook = fit.deletion.leave_out(at)
            row = {"level": level, "group": str(group), "n": len(at), "cook": cook}
            row |= {"shift_se": np.nan, "term": None, "top_feedstock": None, "changes_top": None}
            if np.isfinite(shift).all():
                relative = np.abs(shift) / se
                worst = int(relative[1:].argmax()) + 1 if len(relative) > 1 else 0
                row["shift_se"], row["term"] = relative[worst], labels[worst]
                top = _top(feedstocks, contrasts @ (beta - shift))
                row["top_feedstock"] = top
                row["changes_top"] = "yes" if top != top_all else "no"
            rows.append(row | {"sd_change_percent": np.nan})
    table = pd.DataFrame(rows, columns=INFLUENCE_COLUMNS)
    order = table["level"].map({"firing": 0, "lot": 1, "cell": 2})
    table = table.assign(_order=order).sort_values(
        ["_order", "cook", "group"], ascending=[True, False, True], na_position="first"
    )
    table = table.drop(columns="_order").reset_index(drop=True)
    firings = table[(table["level"] == "firing") & table["cook"].notna()]
    for place in firings.index[:REFITTED]:
        out = np.flatnonzero((data["firing"] == table.loc[place, "group"]).to_numpy())
        table.loc[place, "sd_change_percent"] = _sd_change(fit, data, out)
    return table


def _top(feedstocks: list[str], means: np.ndarray) -> str | None:
    return feedstocks[int(np.argmax(means))] if len(feedstocks) else None


def _sd_change(fit: MixedFit, data: pd.DataFrame, rows: np.ndarray) -> float:
    """Change of the standard deviation of the experiment in a fit without some rows. [%]"""
    rest = np.setdiff1d(np.arange(len(data)), rows)
    try:
        other = fit_mixed(
            fit.formula, data.iloc[rest], random=fit.random, weights="w", start=fit.ratios
        )
    except MixedModelError:
        return float("nan")
    before, after = (f.variance_components.sum() for f in (fit, other))
    return 100.0 * (float(np.sqrt(after / before)) - 1.0)


def influence_flags(
    table: pd.DataFrame, unit: str, best: str, *, feedstocks_differ: bool = True
) -> list[str]:
    """Sentences on firings, lots or cells that decide an answer by themselves.

    Where the feedstocks do not differ measurably, which of them leads hangs on anything, and
    one sentence says so.
    """
    flags = []
    if not feedstocks_differ and (table["changes_top"] == "yes").any():
        flags.append(
            f"The feedstocks do not differ measurably here: which has the {best} mean is chance."
        )
    words = {"firing": "firing", "lot": "lot", "cell": unit}
    for level, group in table.groupby("level", sort=False):
        decisive = group[group["changes_top"] == "yes"]
        if len(decisive) and feedstocks_differ:
            names = ", ".join(decisive["group"].head(4))
            more = f" and {len(decisive) - 4} more" if len(decisive) > 4 else ""
            flags.append(
                f"Which feedstock has the {best} mean hangs on {words[level]} {names}{more}: "
                "without it another leads."
            )
        alone = group[group["cook"].isna()]
        if level == "firing" and len(alone):
            names = ", ".join(alone["group"].head(4))
            flags.append(
                f"Some effect or feedstock rests on firing {names} alone; without it nothing "
                "could be said of it."
            )
    return flags
