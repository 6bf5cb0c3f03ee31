"""Groups in two views and several merits, from draws to the tables of the page."""

import numpy as np
import pandas as pd
import pytest
import report_case as case
from charscreen.rank.comparison import compare_candidates
from charscreen.report.choice_view import SHOWN, several_merits, two_views

MERITS = ["electrode_F_per_g", "device_F_per_kg_d"]
WISHES = {
    "electrode_F_per_g": {"low": 100.0, "high": 200.0},
    "device_F_per_kg_d": {"low": 1000.0, "high": 9000.0},
}
NAMES = {"husk": "rice husk", "peel": "orange peel", "shell": "nut shell"}


def ranking_of(values):
    """Ranking of made-up candidates, one per name and merit, and draws that barely scatter."""
    rng = np.random.default_rng(8)
    rows, draws = [], {}
    for merit, by_name in values.items():
        best = max(by_name.values())
        for name, value in sorted(by_name.items(), key=lambda item: -item[1]):
            found = value * np.exp(0.02 * rng.standard_normal(400))
            draws[f"{merit}|{name}_700C_60min"] = found
            lo, hi = np.quantile(found, [0.05, 0.95])
            rows.append(
                dict.fromkeys(case.RANKING)
                | {"candidate": f"{name}_700C_60min", "feedstock": name, "activation": "none",
                   "peak_temperature_C": 700.0, "hold_min": 60.0, "merit": merit, "unit": "F/g",
                   "estimate": np.median(found), "estimate_lo": lo, "estimate_hi": hi,
                   "better": "more", "basis": "measured", "predicted": "no",
                   "group": "not told apart from the best" if lo > best / 1.1 else None}
            )  # fmt: skip
    return pd.DataFrame(rows), pd.DataFrame(draws)


@pytest.fixture(scope="module")
def inputs():
    """Husk leads by farads per gram, shell by device, peel in nothing."""
    ranking, draws = ranking_of(
        {
            "electrode_F_per_g": {"husk": 180.0, "shell": 130.0, "peel": 129.0},
            "device_F_per_kg_d": {"husk": 3000.0, "shell": 8000.0, "peel": 2000.0},
        }
    )
    found = compare_candidates(ranking, draws, {}, {}, merits=MERITS, wishes=WISHES)
    said = {
        "groups": found.groups,
        "front": found.front,
        "desirability": found.desirability,
        "json": found.summary | {"groups": found.summary["groups"]},
    }
    return {"ranking": ranking, "comparison": said, "feedstock_names": NAMES}


def texts_of(blocks):
    out = []
    for block in blocks:
        out += list(getattr(block, "items", None) or [getattr(block, "text", "")])
    return [text for text in out if text]


def tables_of(blocks):
    return {block.id: block for block in blocks if hasattr(block, "rows")}


def test_groups_without_a_model_have_the_view_of_the_draws_alone(inputs):
    explained, table = two_views(inputs, "electrode_F_per_g", "results")
    assert [row[:2] for row in table.rows] == [
        ["rice husk, 700 °C, 60 min, not activated", "≈ in it"],
        ["nut shell, 700 °C, 60 min, not activated", "out"],
        ["orange peel, 700 °C, 60 min, not activated", "out"],
    ]
    assert [row[-1] for row in table.rows] == ["1 to 1", "2 to 3", "2 to 3"]
    assert table.file == "results/rank/groups.csv"
    said = texts_of([explained])
    assert "pair by pair" in said[0]
    assert "There is no answer by tests for this merit" in said[1]
    assert "Gupta" not in " ".join(said)


def test_groups_with_tests_show_subset_letters_and_intervals(inputs):
    comparison = inputs["comparison"]
    groups = comparison["groups"].assign(
        in_gupta_subset="no", letters="b", hsu_lo_percent=-45.2, hsu_hi_percent=0.2
    )
    first = groups["candidate"] == "husk_700C_60min"
    groups.loc[first, ["in_gupta_subset", "letters"]] = ["yes", "a"]
    groups.loc[first, ["hsu_lo_percent", "hsu_hi_percent"]] = [11.6, 52.4]
    groups.loc[groups["candidate"] == "peel_700C_60min", ["hsu_lo_percent", "letters"]] = [
        np.nan,
        None,
    ]
    found = comparison["json"]["groups"]
    merit = found["merits"]["electrode_F_per_g"] | {"gupta_subset": ["x"], "letters_exact": False}
    tested = found | {"merits": {"electrode_F_per_g": merit}}
    said = comparison | {"groups": groups, "json": comparison["json"] | {"groups": tested}}
    explained, table = two_views(inputs | {"comparison": said}, "electrode_F_per_g", "results")
    assert [row[2:5] for row in table.rows] == [
        ["≈ in it", "a", "+12 to +52"],
        ["out", "b", "\N{MINUS SIGN}45 to 0"],
        ["out", "–", "–"],
    ]
    assert "of those that share one a few may be as well" in table.note
    assert "nothing is drawn towards a mean" in texts_of([explained])[1]
    (alone,) = two_views(
        inputs | {"comparison": said}, "electrode_F_per_g", "results", explain=False
    )
    assert alone.rows == table.rows


def test_no_groups_no_table(inputs):
    assert two_views(inputs, "esr_area_ohm_cm2", "results") == []
    assert two_views({"ranking": inputs["ranking"]}, "electrode_F_per_g", "results") == []


def test_several_merits_from_draws_to_tables(inputs):
    section = several_merits(inputs, "results")
    said = " ".join(texts_of(section.blocks))
    assert "2 candidates of 3 are beaten by no other in everything" in said
    assert "rice husk, 700 °C" in said
    tables = tables_of(section.blocks)
    front = tables["table-front"]
    by_name = {row[0].split(",")[0]: row for row in front.rows}
    assert set(by_name) == {"nut shell", "rice husk"}
    assert {row[-1] for row in front.rows} == {"yes"}
    assert float(by_name["rice husk"][1].split()[0]) == pytest.approx(180, rel=0.01)
    assert float(by_name["nut shell"][1].split()[0]) == pytest.approx(130, rel=0.01)
    wished = tables["table-desirability"]
    # √(d₁ d₂) by hand: shell √(0.3 · 0.875) = 0.51, husk √(0.8 · 0.25) = 0.45, peel
    # √(0.29 · 0.125) = 0.19.
    by_name = {row[1].split(",")[0]: float(row[2]) for row in wished.rows}
    assert list(by_name) == ["nut shell", "rice husk", "orange peel"]
    assert list(by_name.values()) == pytest.approx([0.51, 0.45, 0.19], abs=0.03)


def test_many_on_the_front_are_cut_and_counted():
    names = [f"feed{k:02d}" for k in range(SHOWN + 3)]
    values = {
        MERITS[0]: {name: 100.0 + 20 * k for k, name in enumerate(names)},
        MERITS[1]: {name: 5000.0 - 200 * k for k, name in enumerate(names)},
    }
    ranking, draws = ranking_of(values)
    found = compare_candidates(ranking, draws, {}, {}, merits=MERITS, wishes={})
    comparison = {"groups": found.groups, "front": found.front,
                  "desirability": found.desirability, "json": found.summary}  # fmt: skip
    section = several_merits({"ranking": ranking, "comparison": comparison}, "results")
    front = tables_of(section.blocks)["table-front"]
    assert front.caption.endswith(f"the surest {SHOWN} of {SHOWN + 3}")
    assert len(front.rows) == SHOWN
    assert any("now all weigh the same" in text for text in texts_of(section.blocks))


def test_where_every_candidate_misses_a_limit_none_is_desirable(inputs):
    ranking = inputs["ranking"]
    _, draws = ranking_of({merit: {"husk": 50.0, "shell": 40.0, "peel": 30.0} for merit in MERITS})
    wishes = WISHES | {"esr_area_ohm_cm2": {"low": 1.0, "high": 0.1}}
    found = compare_candidates(ranking, draws, {}, {}, merits=MERITS, wishes=wishes)
    left, none = found.summary["desirability"]
    assert left.startswith("Not in the desirability, since it is not ranked:")
    assert none == "No candidate is desirable at all: each misses one of the limits."


def test_one_merit_and_no_comparison_say_nothing(inputs):
    assert several_merits({"ranking": inputs["ranking"]}, "results") is None
    ranking, draws = ranking_of({MERITS[0]: {"husk": 180.0, "shell": 130.0}})
    found = compare_candidates(ranking, draws, {}, {}, merits=MERITS[:1], wishes={})
    comparison = {"groups": found.groups, "front": found.front,
                  "desirability": found.desirability, "json": found.summary}  # fmt: skip
    assert found.summary["front"] == []
    assert several_merits({"ranking": ranking, "comparison": comparison}, "results") is None


def test_weights_of_two_wishes_are_those_of_the_settings():
    """Three parts to one: the share now is 75 %; without wishes each merit has half."""
    ranking, draws = ranking_of(
        {MERITS[0]: {"husk": 180.0, "shell": 130.0}, MERITS[1]: {"husk": 3000.0, "shell": 8000.0}}
    )
    wishes = {MERITS[0]: WISHES[MERITS[0]] | {"weight": 3.0}, MERITS[1]: WISHES[MERITS[1]]}
    for given, share in ((wishes, 75), ({}, 50), ({MERITS[0]: wishes[MERITS[0]]}, 50)):
        found = compare_candidates(ranking, draws, {}, {}, merits=MERITS, wishes=given)
        rows = found.sensitivity
        now = rows[(rows["quantity"] == MERITS[0]) & (rows["has_now"] == "yes")].iloc[0]
        assert now["from"] <= share <= now["to"]
        others = rows[(rows["quantity"] == MERITS[0]) & (rows["has_now"] != "yes")]
        assert not ((others["from"] <= share) & (share <= others["to"])).any()


def test_where_none_is_surely_on_the_front_that_is_said():
    rng = np.random.default_rng(5)
    ranking, _ = ranking_of({merit: {"husk": 100.0, "shell": 100.0} for merit in MERITS})
    columns = [f"{merit}|{name}_700C_60min" for merit in MERITS for name in ("husk", "shell")]
    draws = pd.DataFrame(np.exp(0.3 * rng.standard_normal((400, 4))), columns=columns)
    found = compare_candidates(ranking, draws, {}, {}, merits=MERITS, wishes={})
    (said,) = found.summary["front"]
    assert said.endswith("none is on it with 90 %.")
