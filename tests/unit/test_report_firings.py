"""The report's table of firings as done."""

import pandas as pd
from charscreen.firing_log import summarise_firings
from charscreen.graph import planned_firings
from charscreen.report.firings import firings_blocks


def firings(*typed):
    design = [
        {"firing": name, "peak_temperature_C": 700.0, "hold_min": 60.0, "ramp_C_per_min": 2.0}
        for name in ("F1", "F2", "F3")
    ]
    table, _ = summarise_firings(list(typed), [], planned_firings(design), logs=".", column_maps={})
    return table


def typed(firing, peak, hold=60.0):
    return {"firing": firing, "kind": "carbonise", "peak_temperature_C": peak, "hold_min": hold}


def test_done_beside_planned_and_where_it_comes_from():
    blocks = firings_blocks({"firings": firings(typed("F1", 760.0), typed("F2", 700.2))}, "out")
    heading, text, table = blocks
    assert heading.text == "Firings as done"
    assert text.text.startswith("2 firings are known as done (2 from what was typed)")
    assert text.text.endswith("1 firing counts as planned.")
    assert table.file == "out/collect/firings.csv"
    assert [row[:4] for row in table.rows] == [
        ["F1", "char", "760 (700)", "60"],
        ["F2", "char", "700", "60"],
    ]
    assert {row[-1] for row in table.rows} == {"typed"}
    assert all(len(row) == len(table.columns) for row in table.rows)


def test_nothing_done_shows_nothing():
    assert firings_blocks({"firings": firings()}, "out") == []
    assert firings_blocks({}, "out") == []
    assert firings_blocks({"firings": pd.DataFrame()}, "out") == []
