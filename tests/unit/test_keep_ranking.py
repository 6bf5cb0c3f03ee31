"""Keeping a ranking, and what is said to have changed since."""

import hashlib
from datetime import date

import keep_ranking as command
import pandas as pd
import pytest
from charscreen.files import read_json, write_csv, write_json
from charscreen.findings import UserError
from charscreen.graph import latest_snapshot
from charscreen.rank.changes import changes_since, find_changes
from charscreen.rank.keeping import keep_ranking
from charscreen.rank.snapshot import make_snapshot, read_snapshot
from charscreen.report.changes_view import changes_section, choice_sentence

CONFIG = """\
title: Test screen
kiln: {crucibles: 2, crucible_volume_mL: 250, max_temperature_C: 1000}
balances: {bench: {readability_g: 0.01}}
"""
MERIT = "electrode_F_per_g"
FIRST, LATER = date(2026, 3, 1), date(2026, 4, 2)


def ranking(*rows):
    """Rows of (feedstock, estimate, half width, p_best), best first."""
    return pd.DataFrame(
        [
            {
                "candidate": f"{name}_700C_60min",
                "feedstock": name,
                "activation": "none",
                "koh_ratio": None,
                "peak_temperature_C": 700.0,
                "hold_min": 60.0,
                "merit": MERIT,
                "unit": "F/g",
                "better": "more",
                "estimate": value,
                "estimate_lo": value - half,
                "estimate_hi": value + half,
                "expected_rank": place,
                "p_best": chance,
                "expected_loss": 10.0 * place,
                "group": "not told apart from the best" if place < 2 else None,
            }
            for place, (name, value, half, chance) in enumerate(rows, start=1)
        ]
    )


def tables(cells):
    """Collected tables with cells of (cell, feedstock, F/g)."""
    return {
        "yields": pd.DataFrame(
            {
                "run": ["R1", "R2"],
                "feedstock": ["husk", "peel"],
                "yield_char_d_percent": [30.0, 25.0],
                "yield_activated_percent": [None, None],
            }
        ),
        "cells": pd.DataFrame(
            [
                {
                    "cell": name,
                    "feedstock": feedstock,
                    "electrode_F_per_g": value,
                    "esr_area_ohm_cm2": None,
                }
                for name, feedstock, value in cells
            ]
        ),
        "firings": pd.DataFrame(
            {"firing": ["F1"], "peak_temperature_C": [703.0], "hold_min": [60.0]}
        ),
    }


BEFORE = ranking(("husk", 100.0, 40.0, 0.6), ("peel", 90.0, 40.0, 0.4))
CELLS = [("C1", "husk", 101.0), ("C2", "peel", 92.0), ("C3", "peel", 88.0)]
NOW = ranking(("peel", 110.0, 20.0, 0.8), ("husk", 100.0, 30.0, 0.2))
NOW_CELLS = [("C1", "husk", 101.0), ("C2", "peel", 120.0), ("C4", "peel", 105.0)]


def write_results(folder, table, cells):
    results = folder / "results"
    write_csv(table, results / "rank" / "ranking.csv")
    write_json({"merits": {}}, results / "rank" / "summary.json")
    for name, rows in tables(cells).items():
        write_csv(rows, results / "collect" / f"{name}.csv")


@pytest.fixture
def screen(tmp_path):
    (tmp_path / "config").mkdir()
    (tmp_path / "config" / "config.yaml").write_text(CONFIG)
    write_results(tmp_path, BEFORE, CELLS)
    return tmp_path


def hashes(folder):
    return {
        str(path): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def snapshot_of(table, cells, **more):
    found = tables(cells)
    by_kind = {"lots": found["yields"], "cells": found["cells"], "firings": found["firings"]}
    return make_snapshot(table, by_kind, kept="2026-03-01", inputs={}, **more)


def test_a_ranking_is_kept_with_the_hashes_of_what_it_came_from(screen):
    before = hashes(screen)
    (line,) = keep_ranking(screen, today=FIRST)
    assert "history/ranking_2026-03-01.json" in line
    kept = read_json(screen / "history" / "ranking_2026-03-01.json")
    digest = hashlib.sha256(CONFIG.encode()).hexdigest()
    assert kept["inputs"] == {"config/config.yaml": digest}
    assert [row["candidate"] for row in kept["ranking"]] == BEFORE["candidate"].tolist()
    assert kept["measurements"]["cells"]["C2"]["electrode_F_per_g"] == 92.0
    after = hashes(screen)
    assert {name: after[name] for name in before} == before


def test_the_same_ranking_again_is_not_kept_twice(screen):
    keep_ranking(screen, today=FIRST)
    before = hashes(screen)
    (line,) = keep_ranking(screen, today=LATER)
    assert "already" in line
    assert hashes(screen) == before


def test_nothing_kept_is_overwritten_and_the_latest_is_found(screen):
    assert latest_snapshot(screen / "history") == []
    keep_ranking(screen, today=FIRST)
    first = (screen / "history" / "ranking_2026-03-01.json").read_bytes()
    write_results(screen, NOW, NOW_CELLS)
    keep_ranking(screen, today=FIRST)
    assert (screen / "history" / "ranking_2026-03-01.json").read_bytes() == first
    assert latest_snapshot(screen / "history")[0].endswith("ranking_2026-03-01_2.json")
    write_results(screen, BEFORE, CELLS)
    for number in range(3, 12):  # the eleventh of a day comes after the ninth
        write_results(screen, BEFORE if number % 2 else NOW, CELLS if number % 2 else NOW_CELLS)
        keep_ranking(screen, today=FIRST)
    assert latest_snapshot(screen / "history")[0].endswith("_11.json")
    (screen / "history" / "ranking_notes.json").write_text("{}")
    assert latest_snapshot(screen / "history")[0].endswith("_11.json")


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda folder: (folder / "results/rank/ranking.csv").unlink(), "snakemake rank"),
        (lambda folder: (folder / "results/collect/cells.csv").unlink(), "no ranking yet"),
        (lambda folder: (folder / "config/config.yaml").unlink(), "is no screen"),
        (lambda folder: write_csv(BEFORE.head(0), folder / "results/rank/ranking.csv"), "nothing"),
        (lambda folder: (folder / "config/config.yaml").write_text("kiln: 3\n"), "config.yaml"),
        (lambda folder: (folder / "history").write_text("in the way"), "cannot be written"),
    ],
)
def test_what_cannot_be_kept_is_said_and_nothing_is_written(screen, capsys, spoil, said):
    spoil(screen)
    before = hashes(screen)
    assert command.main([str(screen)]) == 1
    assert hashes(screen) == before
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert "Traceback" not in err


def test_a_spoilt_snapshot_is_named(screen):
    keep_ranking(screen, today=FIRST)
    path = screen / "history" / "ranking_2026-03-01.json"
    for text in ("{", "[]", '{"kept": "2026-03-01"}'):
        path.write_text(text)
        with pytest.raises(UserError, match=r"ranking_2026-03-01.json is no snapshot"):
            read_snapshot(path)


def test_measurements_new_changed_and_gone():
    found = find_changes(snapshot_of(BEFORE, CELLS), snapshot_of(NOW, NOW_CELLS))
    assert list(found.measurements) == ["cells"]
    cells = found.measurements["cells"]
    assert (cells.new, cells.gone) == (["C4"], ["C3"])
    assert cells.changed == {"C2": [("electrode_F_per_g", 92.0, 120.0)]}
    assert found.touched == {"peel": {"new cells": 1, "changed cells": 1, "gone cells": 1}}


def test_who_moved_and_how_certainty_grew():
    found = find_changes(snapshot_of(BEFORE, CELLS), snapshot_of(NOW, NOW_CELLS))
    (change,) = found.merits
    assert [(m["candidate"], m["place_before"], m["place_now"]) for m in change.moved] == [
        ("peel_700C_60min", 2, 1),
        ("husk_700C_60min", 1, 2),
    ]
    # Relative widths: peel (40/110)/(80/90), husk (60/100)/(80/100); their median is the mean.
    assert change.width_factor == pytest.approx((40 / 110 / (80 / 90) + 0.75) / 2)


def test_nothing_changed_is_no_change(screen):
    keep_ranking(screen, today=FIRST)
    inputs = {"ranking": BEFORE, **tables(CELLS)}
    path = latest_snapshot(screen / "history")
    digest = hashlib.sha256(CONFIG.encode()).hexdigest()[:12]
    assert not changes_since(path, inputs, [("config/config.yaml", digest)])
    assert changes_since([], inputs, []) is None


def test_other_settings_alone_are_told_beside_a_moved_ranking(screen):
    keep_ranking(screen, today=FIRST)
    inputs = {"ranking": NOW, **tables(CELLS)}
    found = changes_since(
        latest_snapshot(screen / "history"), inputs, [("config/config.yaml", "0" * 12)]
    )
    assert found.settings
    assert not found.measurements
    texts = changes_section(found, [MERIT], None).blocks[2].items
    assert texts == ["Settings differ (config/config.yaml); they can move the ranking as well."]


def test_the_section_says_choice_certainty_and_measurements():
    found = find_changes(snapshot_of(BEFORE, CELLS), snapshot_of(NOW, NOW_CELLS))
    section = changes_section(found, [MERIT], {"peel": "Peel", "husk": "Husk"})
    assert section.title == "What changed since 2026-03-01"
    choice, certainty, measured, table = section.blocks
    assert choice.text == (
        "By electrode capacitance the choice is now Peel, 700 °C, 60 min, not activated, then it "
        "was Husk, 700 °C, 60 min, not activated; chance that the choice is the best: 60 % then, "
        "80 % now."
    )
    assert "intervals are typically 42 % narrower" in certainty.text
    assert measured.items == [
        "New: 1 cell (C4).",
        "Changed: 1 cell (C2 electrode capacitance 92.00 → 120.0 F/g).",
        "Gone: 1 cell (C3).",
    ]
    assert table.rows[0][1] == "2 → 1"
    assert table.rows[0][5] == "1 new cell, 1 changed cell, 1 gone cell"
    assert table.rows[1][5] == "nothing of Husk"


def test_a_candidate_that_was_not_ranked_then_has_no_place_then():
    more = pd.concat([NOW, ranking(("stone", 50.0, 10.0, 0.0))], ignore_index=True)
    found = find_changes(snapshot_of(BEFORE, CELLS), snapshot_of(more, CELLS))
    row = changes_section(found, [MERIT], None).blocks[-1].rows[2]
    assert row[1] == "– → 3"
    assert row[2] == "–"


def test_the_choice_is_the_best_measured_and_the_predicted_one_comes_second():
    now = snapshot_of(NOW, NOW_CELLS)
    measured = {"best": "husk_700C_60min", "p_best": 0.7, "expected_loss": 1.0, "group": ["husk"]}
    now["summary"] = {"merits": {MERIT: {"measured": measured}}}
    (change,) = find_changes(snapshot_of(BEFORE, CELLS), now).merits
    assert change.now["candidate"] == "husk_700C_60min"
    assert (change.now["p_best"], change.now["n_group"]) == (0.7, 1)
    assert change.ahead_now["candidate"] == "peel_700C_60min"
    assert change.ahead_before is None
    text = choice_sentence(change, {"peel": "Peel", "husk": "Husk"})
    assert text == (
        "By electrode capacitance the choice is still Husk, 700 °C, 60 min, not activated; chance "
        "that it is the best of the measured: 60 % then, 70 % now; now the model expects more of "
        "Peel, 700 °C, 60 min, not activated, not measured there."
    )
