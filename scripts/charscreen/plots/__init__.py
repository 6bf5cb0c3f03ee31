"""All figures of a screen, under one name.

Each function takes result tables and gives one figure. Raw points stand under every estimate,
every estimate has its interval, and shape or label tells what colour tells. The look is set in
`plot_theme`.
"""

from charscreen.plots.measured import draw_capacitances, draw_yields
from charscreen.plots.model_checks import draw_model_checks
from charscreen.plots.models import draw_variance
from charscreen.plots.ranking import draw_ranking, draw_response
from charscreen.plots.theme import as_svg, save_svg
from charscreen.report.ranking_view import raw_lots

__all__ = [
    "as_svg",
    "draw_capacitances",
    "draw_model_checks",
    "draw_ranking",
    "draw_response",
    "draw_variance",
    "draw_yields",
    "raw_lots",
    "save_svg",
]
