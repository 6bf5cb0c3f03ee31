"""The figures of a screen by name: what is drawn, what stands below it, what is read out."""

from collections.abc import Mapping

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
    invented: bool = False,
    names: Mapping[str, str] | None = None,
) -> dict[str, Figure]:
    """Every figure of a screen; one with nothing to draw says so.

    Parameters
    ----------
    inputs : mapping
        ``ranking``, ``yields``, ``cells``: DataFrames; ``models``: name to a mapping with the
        DataFrames ``means``, ``variance``, ``residuals``, ``groups``, ``influence`` and the
        dict ``json``.
    merits : list of str
        Merits that are ranked; the first one also gives the response to temperature.
    invented : bool
        Mark every figure as drawn from invented data.
    names : mapping, optional
        Feedstock id to name.

    Returns
    -------
    dict of str to Figure
        ``ranking_<merit>`` for each merit, ``yields``, ``capacitances``, ``response``,
        ``scatter`` and ``checks_<model>`` for each model.
    """
    models = view_of_models(inputs["models"])
    ranking, yields, cells = inputs["ranking"], inputs["yields"], inputs["cells"]
    figures = {}
    for merit in merits:
        lots = raw_lots(cells, yields, merit)
        figures[f"ranking_{merit}"] = draw_ranking(ranking, lots, merit, names=names)
    figures["yields"] = draw_yields(
        yields,
        _table(models, "char_yield", "means"),
        _table(models, "activation_yield", "means"),
        names=names,
    )
    figures["capacitances"] = draw_capacitances(
        cells, _table(models, "capacitance", "means"), names=names
    )
    first = merits[0]
    lots = raw_lots(cells, yields, first)
    figures["response"] = draw_response(ranking, lots, first, names=names)
    figures["scatter"] = draw_variance({name: _table(models, name, "variance") for name in MODELS})
    for name in MODELS:
        figures[f"checks_{name}"] = draw_model_checks(
            _table(models, name, "residuals"),
            model_words(name),
            groups=_table(models, name, "groups"),
            influence=_table(models, name, "influence"),
            record=models.get(name, {}).get("json"),
        )
    if invented:
        for figure in figures.values():
            _mark_invented(figure)
    return figures


def _table(models: Mapping, model: str, table: str) -> pd.DataFrame:
    found = models.get(model, {}).get(table)
    return pd.DataFrame() if found is None else found


def _mark_invented(figure: Figure) -> None:
    # Constrained layout leaves room for a title, so the mark never lies on the picture.
    title = figure.get_suptitle()
    text = f"{title}   (invented data)" if title else "Invented data"
    figure.suptitle(text, fontsize=9 if title else 8, x=0.01, ha="left", color=INK)
