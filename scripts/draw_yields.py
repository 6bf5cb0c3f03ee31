"""Draws the figures of the yields, one SVG each: a new cell leaves them as they are."""

from charscreen.files import read_csv
from charscreen.job import job
from charscreen.models.names import YIELD_MODELS
from charscreen.plots.figures import draw_figures
from charscreen.plots.theme import save_svg
from charscreen.result_set import read_models

with job(snakemake.log[0]):
    given, params = snakemake.input, snakemake.params
    paths = {name.removeprefix("figure_"): path for name, path in snakemake.output.items()}
    figures = draw_figures(
        {"yields": read_csv(given.yields), "models": read_models(given, YIELD_MODELS)},
        merits=[],
        data_are_invented=params.data_are_invented,
        names=params.names,
        only=paths,
    )
    for name, path in paths.items():
        save_svg(figures[name], path)
