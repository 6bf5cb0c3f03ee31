import re
import xml.etree.ElementTree as ET

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
import report_case as case
from charscreen import plots
from charscreen.graph import FIGURES_OF_YIELDS, MODEL_NAMES, YIELD_MODELS, figure_files
from charscreen.plots import figures, theme
from charscreen.plots.theme import offsets, shorten
from charscreen.report.ranking_view import lots_of
from charscreen.report.svg import svg_for_page
from charscreen.screen.schemas import config_schema
from charscreen.words import MERITS, MODELS, merit_unit, merit_words

MERIT = "electrode_F_per_g"


def texts(figure):
    """All texts of a figure, axis labels and ticks included."""
    figure.draw_without_rendering()
    return [
        text.get_text()
        for text in figure.findobj(mpl.text.Text)
        if text.get_text() and text.get_visible()
    ]


@pytest.fixture(scope="module")
def one():
    """One feedstock, one lot, one candidate, one residual."""
    yields = case.make_yields(["husk"], lots=1)
    cells = case.make_cells(yields, each=1)
    return {
        "yields": yields,
        "cells": cells,
        "ranking": case.make_ranking(yields, [MERIT]),
        "model": case.make_model(yields),
    }


@pytest.fixture(scope="module")
def full():
    return case.full_inputs()


def draw_each(inputs):
    """One figure of each kind from a mapping with yields, cells, ranking and one model."""
    model = inputs["model"]
    lots = plots.raw_lots(inputs["cells"], inputs["yields"], MERIT)
    return [
        plots.draw_ranking(inputs["ranking"], lots, MERIT),
        plots.draw_response(inputs["ranking"], lots, MERIT),
        plots.draw_yields(inputs["yields"], model["means"]),
        plots.draw_capacitances(inputs["cells"], model["means"]),
        plots.draw_variance({"capacitance": model["variance"]}),
        plots.draw_model_checks(model["residuals"], "electrode capacitance"),
    ]


def test_every_figure_draws_one_row_with_label_and_unit(one):
    labels = ["[F/g]", "[F/g]", "[%]", "[F/g]", "[%]", "residual"]
    for figure, label in zip(draw_each(one), labels, strict=True):
        assert any(label in text for text in texts(figure))
        ET.fromstring(plots.as_svg(figure))


def test_every_figure_draws_where_numbers_are_missing(full):
    inputs = {name: full[name].copy() for name in ("yields", "cells", "ranking")}
    inputs["yields"].loc[0, "yield_char_d_percent"] = np.nan
    inputs["yields"].loc[1, "peak_temperature_C"] = np.nan
    inputs["cells"].loc[:3, "electrode_F_per_g"] = np.nan
    inputs["ranking"].loc[0, ["estimate_lo", "estimate_hi", "p_best", "hold_min"]] = np.nan
    inputs["ranking"].loc[1, "estimate"] = np.nan
    model = {name: table.copy() for name, table in full["models"]["capacitance"].items()}
    model["means"].loc[0, ["lo", "hi"]] = np.nan
    model["means"].loc[1, "estimate"] = np.nan
    model["variance"].loc[1, ["sd_percent", "lo", "hi", "share_percent"]] = np.nan
    model["residuals"].loc[0, "standardised"] = np.nan
    for figure in draw_each(inputs | {"model": model}):
        ET.fromstring(plots.as_svg(figure))


def test_a_figure_without_data_says_so():
    nothing = case.empty_inputs()
    drawn = figures.draw_figures(nothing, merits=case.CONFIG["merits"])
    assert sorted(drawn) == sorted(
        [
            "ranking_electrode_F_per_g",
            "ranking_device_F_per_kg_d",
            *("yields", "capacitances", "response", "scatter"),
            *("checks_char_yield", "checks_activation_yield", "checks_capacitance"),
            *("checks_overall_yield", "checks_esr_area", "checks_retention"),
            "checks_device_farads",
        ]
    )
    for figure in drawn.values():
        assert re.search(r"\bNo\b|\bno\b", " ".join(texts(figure)))


def test_figures_are_marked_where_data_are_invented(full):
    merits = case.CONFIG["merits"]
    for figure in figures.draw_figures(full, merits=merits, data_are_invented=True).values():
        assert "invented data" in figure.get_suptitle().lower()
    for figure in figures.draw_figures(full, merits=merits).values():
        assert "invented" not in figure.get_suptitle().lower()


def test_ranking_orders_marks_and_counts(full):
    figure = plots.draw_ranking(full["ranking"], None, MERIT, top=4)
    shown = texts(figure)
    axes = figure.axes[0]
    labels = [tick.get_text() for tick in axes.get_yticklabels()]
    assert labels[0] == "husk, 600 °C, 60 min, not activated"
    assert len(labels) == 4
    assert sum("≈" in text and "%" in text for text in shown) == 3
    assert any("8 more candidates below" in text for text in shown)
    # Estimate and both ends of the interval of the first candidate are on the axis.
    on_axis = np.concatenate([line.get_xdata() for line in axes.lines])
    for value in (200.0, 200.0 - 12.3, 200.0 + 14.1):
        assert np.isclose(on_axis, value).any()


def test_lots_stand_under_the_candidate_of_their_condition(full):
    lots = plots.raw_lots(full["cells"], full["yields"], MERIT)
    assert len(lots) == full["yields"]["run"].nunique()
    # Two cells of 60 and 65 F/g in a plain lot, 150 and 155 F/g in an activated one.
    assert set(lots["value"]) == {62.5, 152.5}
    assert set(lots["n_cells"]) == {2}
    plain, activated = full["ranking"].iloc[0], full["ranking"].iloc[1]
    assert lots_of(lots, plain) == [62.5]
    assert lots_of(lots, activated) == [152.5]


def test_device_figure_of_a_lot_is_cell_figure_times_its_carbon(full):
    lots = plots.raw_lots(full["cells"], full["yields"], "device_F_per_kg_d")
    first = lots.set_index("run").loc["R00"]
    # 62.5/4 F per g of both electrodes, 250 g carbon per kg dry feed.
    assert first["value"] == pytest.approx(62.5 / 4 * 250.0)
    assert plots.raw_lots(full["cells"], full["yields"].iloc[:0], "device_F_per_kg_d").empty
    assert plots.raw_lots(full["cells"], full["yields"], "unknown").empty


def test_groups_differ_in_shape_as_well_as_colour(full):
    axes = plots.draw_capacitances(full["cells"], None).axes[0]
    looks = {(line.get_color(), line.get_marker()) for line in axes.lines}
    assert len(looks) == 2
    assert len({colour for colour, _ in looks}) == len({marker for _, marker in looks}) == 2


def test_many_temperatures_share_one_look():
    yields = case.make_yields(["husk"], lots=8)
    yields["peak_temperature_C"] = np.arange(8) * 50 + 400.0
    figure = plots.draw_yields(yields, None)
    assert "one measurement" in texts(figure)


def test_names_are_text_and_not_formulas_or_markup():
    yields = case.make_yields(["a"], lots=2)
    names = {"a": "<b>$x_1$ & \\frac --> ]]>" + "y" * 300}
    figure = plots.draw_yields(yields, None, names=names)
    assert any(
        text.startswith("<b>$x_1$ & \\frac") and text.endswith("…") for text in texts(figure)
    )
    ET.fromstring(plots.as_svg(figure))


def test_drawing_leaves_the_settings_of_others_alone(one):
    before = dict(mpl.rcParams)
    plots.as_svg(plots.draw_yields(one["yields"], None))
    assert dict(mpl.rcParams) == before


def test_same_data_give_the_same_bytes_without_date(full, tmp_path):
    first, second = (
        figures.draw_figures(full, merits=case.CONFIG["merits"], data_are_invented=True)
        for _ in range(2)
    )
    for name in first:
        svg = plots.as_svg(first[name])
        assert svg == plots.as_svg(second[name])
        assert "dc:date" not in svg
        # Letters are outlines, so the page needs no font.
        assert "<text" not in svg
    plots.save_svg(figures.draw_figures(full, merits=[MERIT])["yields"], tmp_path / "y.svg")
    assert (tmp_path / "y.svg").read_text(encoding="utf-8").startswith("<?xml")


def test_the_last_digits_of_a_layout_do_not_show_in_the_bytes():
    # As the solver of the layout scatters: found by runs that were cut off and taken up again.
    pictures = []
    for off in (0.0, 1e-14):
        figure = plots.theme.new_figure(width_in=4.0, height_in=3.0)
        for k in range(2):
            # Odd places, so that no rounded figure stands on the edge between two.
            axes = figure.add_axes(
                (0.12371829, 0.10312847 + 0.45170283 * k + off, 0.77710931, 0.30130719)
            )
            axes.plot([0, 1], [0, 1], marker="o")
        figure.set_layout_engine("none")
        pictures.append(plots.as_svg(figure))
    assert pictures[0] == pictures[1]
    names = re.findall(r'\bid="(p[^"]*)"', pictures[0])
    assert len(names) >= 2
    assert names == list(dict.fromkeys(names))
    assert set(re.findall(r"url\(#([^)]*)\)", pictures[0])) <= set(names)


def test_nothing_is_cut_at_the_edge_of_a_figure(full):
    inputs = case.full_inputs(["a_feedstock_with_a_rather_long_identifier_" + c for c in "abc"])
    for figure in figures.draw_figures(inputs, merits=case.CONFIG["merits"]).values():
        figure.draw_without_rendering()
        width, height = figure.bbox.size
        box = figure.get_tightbbox().transformed(figure.dpi_scale_trans)
        assert box.x0 > -1
        assert box.y0 > -1
        assert box.x1 < width + 1
        assert box.y1 < height + 1


def test_svg_for_a_page_has_its_own_ids_and_a_label(one):
    svg = plots.as_svg(plots.draw_yields(one["yields"], None))
    page = svg_for_page(svg, prefix="p1", label='yields of "husk" <now>')
    assert page.startswith("<svg viewBox=")
    assert 'aria-label="yields of &quot;husk&quot; &lt;now&gt;"' in page
    ids = set(re.findall(r'\bid="([^"]*)"', page))
    assert ids
    assert all(name.startswith("p1-") for name in ids)
    used = re.findall(r'href="#([^"]*)"', page) + re.findall(r"url\(#([^)]*)\)", page)
    assert set(used) <= ids
    for gone in ("<?xml", "<!--", "<metadata", "<style", "xlink", "http"):
        assert gone not in page


def test_what_is_no_svg_is_refused():
    with pytest.raises(ValueError, match="no svg element"):
        svg_for_page("<html>", prefix="p", label="x")
    with pytest.raises(ValueError, match="no viewBox"):
        svg_for_page("<svg width='1'>x</svg>", prefix="p", label="x")


@pytest.mark.parametrize("n", [0, 1, 2, 5, 50])
def test_points_beside_each_other_stay_in_their_row(n):
    places = offsets(n, width=0.4)
    assert len(places) == len(set(places)) == n
    assert all(abs(place) <= 0.2 + 1e-12 for place in places)
    assert sum(places) == pytest.approx(0.0)


def test_long_names_are_shortened():
    assert shorten("short") == "short"
    assert shorten("two\nlines") == "two lines"
    assert shorten("x" * 50, 10) == "x" * 9 + "…"


def test_sixty_feedstocks_are_cut_to_the_best(full):
    yields = case.make_yields([f"waste_{k}" for k in range(60)], lots=2)
    ranking = case.make_ranking(yields, [MERIT])
    assert len(plots.draw_ranking(ranking, None, MERIT).axes[0].get_yticks()) == 10
    assert len(plots.draw_response(ranking, None, MERIT).axes) == 12


def test_far_residuals_are_named():
    residuals = pd.DataFrame(
        {
            "id": ["C1", "C2", "C3"],
            "firing": ["K1", "K1", "K2"],
            "fitted": [1.0, 2.0, 3.0],
            "standardised": [0.1, -4.2, 0.3],
        }
    )
    shown = texts(plots.draw_model_checks(residuals, "x"))
    assert "C2" in shown
    assert "C1" not in shown


def test_checks_name_what_is_influential_and_each_level():
    residuals = pd.DataFrame(
        {
            "id": [f"C{k}" for k in range(6)],
            "firing": ["K2", "K2", "K1", "K1", "K3", "K3"],
            "fitted": np.arange(6.0),
            "standardised": np.linspace(-1, 1, 6),
            "order": [0, 0, 1, 1, 2, 2],
        }
    )
    groups = pd.DataFrame(
        {
            "level": ["lot"] * 6 + ["firing"] * 3,
            "group": [f"g{k}" for k in range(9)],
            "standardised": [0.1, -0.5, 1.2, 0.4, -1.0, np.nan, 0.3, 0.2, -0.4],
        }
    )
    influence = pd.DataFrame(
        {
            "level": ["firing", "firing", "lot"],
            "group": ["K1", "K2", "L7"],
            "cook": [np.nan, 0.4, 0.2],
            "changes_top": [None, "yes", "no"],
        }
    )
    figure = plots.draw_model_checks(residuals, "x", groups=groups, influence=influence)
    shown = texts(figure)
    assert "Lots (n = 5)" in shown
    assert not any(text.startswith("Char firings") for text in shown)  # three are too few
    assert "char firing K2" in shown
    assert "lot L7" in shown
    assert [text for text in shown if text in ("K1", "K2", "K3")] == ["K2", "K1", "K3"]


def test_words_agree_with_the_ranking_and_the_graph():
    explained = config_schema()["properties"]["merits"]["description"]
    for name in MERITS:
        assert f"`{name}`" in explained
        assert merit_words(name) != name
        assert merit_unit(name)
    assert tuple(MODELS) == MODEL_NAMES
    drawn = figures.draw_figures(case.empty_inputs(), merits=case.CONFIG["merits"])
    files = figure_files("f", case.CONFIG["merits"])
    assert {f"figure_{name}" for name in drawn} == set(files)


def test_checks_show_the_powers_and_the_order_of_assembly():
    residuals = pd.DataFrame(
        {
            "id": [f"C{k}" for k in range(10)],
            "firing": ["K1", "K2"] * 5,
            "fitted": np.arange(10.0),
            "standardised": np.linspace(-1, 1, 10),
            "order": [0, 1] * 5,
            "run_order": np.arange(10.0)[::-1],
        }
    )
    grid = np.linspace(-1.5, 2.5, 161)
    record = {
        "scale": "log",
        "order_by": {"firings": "id", "rows": "assembled"},
        "power_profile": {
            "power": grid.tolist(),
            "excess": (8 * (grid - 0.2) ** 2).tolist(),
            "limit": 2.706,
            "best": 0.2,
            "lo": -0.38,
            "hi": 0.78,
        },
    }
    figure = plots.draw_model_checks(residuals, "x", record=record)
    labels = {axes.get_xlabel(): axes for axes in figure.axes}
    assert "Power of the value (0: log)" in labels
    assert "Firing, in the order of names (dates are not given) (short line: mean)" in labels
    order = next(axes for label, axes in labels.items() if "assembly, by day" in label)
    drawn = order.get_lines()[1]
    np.testing.assert_allclose(drawn.get_xdata(), np.arange(10, 0, -1))
    record["order_by"] = {"firings": "date", "rows": ""}
    labels = [a.get_xlabel() for a in plots.draw_model_checks(residuals, "x", record=record).axes]
    assert "Power of the value (0: log)" in labels
    assert not any("assembly" in label for label in labels)


@pytest.mark.parametrize(("n", "pictures"), [(theme.CROWD, 0), (theme.CROWD + 1, 1)])
def test_a_crowd_of_points_becomes_one_picture(n, pictures):
    figure = theme.new_figure(width_in=3, height_in=2)
    axes = figure.add_subplot()
    for place in range(n):  # one by one, as they are drawn beside their feedstock
        axes.plot(place, place % 7, marker="o", linestyle="")
    text = theme.as_svg(figure)
    assert text.count("<image") == pictures
    assert (text.count("<use") > n) == (pictures == 0)


def test_of_many_firings_some_carry_their_names():
    n = 150
    residuals = pd.DataFrame({
        "id": [f"C{k}" for k in range(n)],
        "firing": [f"F{k:03d}" for k in range(n)],
        "fitted": np.arange(n, dtype=float),
        "standardised": np.sin(np.arange(n)),
        "order": np.arange(n),
        "run_order": np.arange(n),
    })  # fmt: skip
    figure = plots.draw_model_checks(residuals, "char yield")
    axes = next(a for a in figure.axes if a.get_xlabel().startswith("Firing"))
    shown = [label.get_text() for label in axes.get_xticklabels()]
    assert shown == [f"F{k:03d}" for k in range(0, n, 3)]


def test_figures_of_the_yields_are_drawn_without_cells_and_ranking(full):
    names = [name.removeprefix("figure_") for name in FIGURES_OF_YIELDS]
    models = {name: full["models"].get(name, {}) for name in YIELD_MODELS}
    alone = {"yields": full["yields"], "models": models}
    drawn = figures.draw_figures(alone, merits=[], only=names)
    whole = figures.draw_figures(full, merits=case.CONFIG["merits"])
    assert list(drawn) == names
    for name in names:
        assert plots.as_svg(drawn[name]) == plots.as_svg(whole[name])
