"""The figures of a screen by name: what is drawn, what stands below it, what is read out."""

from collections.abc import Collection, Mapping
from functools import partial

import pandas as pd
from matplotlib.figure import Figure

from charscreen.plots.measured import draw_capacitances, draw_yields
from charscreen.plots.model_checks import draw_model_checks
from charscreen.plots.models import draw_variance
from charscreen.plots.ranking import draw_ranking, draw_response
from charscreen.plots.theme import INK
from charscreen.report.model_view import view_of_models
from charscreen.report.ranking_view import raw_lots
from charscreen.words import MODELS, model_words


def draw_figures(
    inputs: Mapping,
    *,
    merits: list[str],
    data_are_invented: bool = False,
    names: Mapping[str, str] | None = None,
    only: Collection[str] | None = None,
) -> dict[str, Figure]:
    """The figures of a screen; one with nothing to draw says so.

    Parameters
    ----------
    inputs : mapping
        ``ranking``, ``yields``, ``cells``: DataFrames; ``models``: name to a mapping with the
        DataFrames ``means``, ``variance``, ``residuals``, ``groups``, ``influence`` and the
        dict ``json``. What no figure asked for rests on may be absent.
    merits : list of str
        Merits that are ranked; the first one also gives the response to temperature.
    data_are_invented : bool
        Mark every figure as drawn from invented data.
    names : mapping, optional
        Feedstock id to name.
    only : collection of str, optional
        Names of the figures to draw; all without it.

    Returns
    -------
    dict of str to Figure
        ``ranking_<merit>`` for each merit, ``yields``, ``capacitances``, ``response``,
        ``scatter`` and ``checks_<model>`` for each model.
    """
    models = view_of_models(inputs["models"])
    draws = {f"ranking_{merit}": partial(_ranking, inputs, merit, names) for merit in merits}
    draws["yields"] = partial(_yields, inputs, models, names)
    draws["capacitances"] = partial(_capacitances, inputs, models, names)
    draws["response"] = partial(_response, inputs, merits, names)
    draws["scatter"] = partial(_scatter, models)
    draws |= {f"checks_{name}": partial(_checks, models, name) for name in MODELS}
    figures = {name: draw() for name, draw in draws.items() if only is None or name in only}
    if data_are_invented:
        for figure in figures.values():
            _mark_invented(figure)
    return figures


def _ranking(inputs: Mapping, merit: str, names: Mapping | None) -> Figure:
    lots = raw_lots(inputs["cells"], inputs["yields"], merit)
    return draw_ranking(inputs["ranking"], lots, merit, names=names)


def _yields(inputs: Mapping, models: Mapping, names: Mapping | None) -> Figure:
    means = (_table(models, name, "means") for name in ("char_yield", "activation_yield"))
    return draw_yields(inputs["yields"], *means, names=names)


def _capacitances(inputs: Mapping, models: Mapping, names: Mapping | None) -> Figure:
    return draw_capacitances(inputs["cells"], _table(models, "capacitance", "means"), names=names)


def _response(inputs: Mapping, merits: list[str], names: Mapping | None) -> Figure:
    lots = raw_lots(inputs["cells"], inputs["yields"], merits[0])
    return draw_response(inputs["ranking"], lots, merits[0], names=names)


def _scatter(models: Mapping) -> Figure:
    return draw_variance({name: _table(models, name, "variance") for name in MODELS})


def _checks(models: Mapping, name: str) -> Figure:
    return draw_model_checks(
        _table(models, name, "residuals"),
        model_words(name),
        groups=_table(models, name, "groups"),
        influence=_table(models, name, "influence"),
        record=models.get(name, {}).get("json"),
    )


def _table(models: Mapping, model: str, table: str) -> pd.DataFrame:
    found = models.get(model, {}).get(table)
    return pd.DataFrame() if found is None else found


def _mark_invented(figure: Figure) -> None:
    # Constrained layout leaves room for a title, so the mark never lies on the picture.
    title = figure.get_suptitle()
    text = f"{title}   (invented data)" if title else "Invented data"
    figure.suptitle(text, fontsize=9 if title else 8, x=0.01, ha="left", color=INK)
