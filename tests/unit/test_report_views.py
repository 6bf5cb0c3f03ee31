import ast
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import report_case as case
from charscreen import plots
from charscreen.plots.measured import NOT_DRAWN
from charscreen.report.flags_view import MEANINGS, count_flagged, flags_of, flags_table
from charscreen.report.model_view import is_known, joined_levels, view_of_models
from charscreen.report.resistance import resistance_words
from charscreen.report.text import BETWEEN
from charscreen.report.unfilled_view import unfilled_sentences, unfilled_table
from charscreen.words import (
    LEVELS,
    agree,
    candidate_words,
    candidates_in_words,
    count_words,
    level_words,
    list_ids,
    n_words,
)

LIBRARY = Path(__file__).resolve().parents[2] / "scripts" / "charscreen"


def levels(names, *, unit="cell", n_firings=4):
    table = pd.DataFrame({"level": names})
    return list(joined_levels(table, {"unit": unit, "n_firings": n_firings})["level"])


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        (["feedstock", "firing", "lot", "cell"], ["feedstock", "firing", "lot", "cell"]),
        (["firing", "cell"], ["firing", "lot+cell"]),
        (["firing", "aliquot", "cell"], ["firing", "lot+aliquot", "cell"]),
        (["lot", "cell"], ["firing+lot", "cell"]),
        (["cell"], ["firing+lot+cell"]),
    ],
)
def test_levels_that_are_not_fitted_stand_in_the_next_one(given, expected):
    assert levels(given) == expected


def test_one_firing_holds_no_scatter_between_firings():
    assert levels(["lot", "cell"], n_firings=1) == ["lot", "cell"]
    assert levels(["lot"], unit="lot", n_firings=1) == ["lot"]
    assert levels(["lot"], unit="lot", n_firings=3) == ["firing+lot"]


def test_joined_levels_in_words():
    assert level_words("lot+cell") == "lot and cell together"
    assert level_words("firing+lot+cell") == "char firing, lot and cell together"


@pytest.mark.parametrize(
    ("row", "scale", "expected"),
    [
        ({"estimate": 100, "lo": 50, "hi": 200}, "log", True),
        ({"estimate": 91, "lo": 11, "hi": 756}, "log", False),
        ({"estimate": 91, "lo": 0.0, "hi": 100}, "log", False),
        ({"estimate": 91, "lo": np.nan, "hi": 100}, "log", False),
        ({"estimate": 100, "lo": 50, "hi": 200, "df": 0.9}, "log", False),
        ({"estimate": 100, "lo": 50, "hi": 200, "df": 1.0}, "log", True),
        # Odds of 25 % are 1/3; a fifth of them is 6.25 %, five times 62.5 %.
        ({"estimate": 25, "lo": 6.3, "hi": 62.4}, "logit", True),
        ({"estimate": 25, "lo": 6.2, "hi": 62.4}, "logit", False),
        ({"estimate": 25, "lo": 20, "hi": 100}, "logit", False),
        # On the scale of the model a factor of ten is ln 10 = 2.303.
        ({"estimate": 0.1, "lo": -2.2, "hi": 2.4}, "effects", True),
        ({"estimate": 0.1, "lo": -2.3, "hi": 2.5}, "effects", False),
        ({"estimate": 0.1, "lo": -160, "hi": 180}, "None", True),
    ],
)
def test_which_intervals_say_anything(row, scale, expected):
    assert is_known(row, scale) is expected


def test_views_leave_the_tables_as_they_are():
    models = case.full_inputs()["models"]
    models["capacitance"]["effects"].loc[0, "df"] = 0.3
    before = models["capacitance"]["effects"].copy()
    shown = view_of_models(models)["capacitance"]["effects"]
    assert shown.loc[0, ["lo", "hi", "p"]].isna().all()
    assert shown.loc[1, ["lo", "hi", "p"]].notna().all()
    pd.testing.assert_frame_equal(models["capacitance"]["effects"], before)


def test_a_mean_without_an_interval_is_noted_and_not_drawn():
    yields = case.make_yields(["husk", "shell"])
    means = case.make_model(yields)["means"]
    means.loc[0, ["lo", "hi"]] = np.nan
    axes = plots.draw_yields(yields, means).axes[0]
    assert [text.get_text() for text in axes.texts] == [NOT_DRAWN]
    drawn = [line for line in axes.lines if line.get_marker() == "D"]
    assert [float(line.get_xdata()[0]) for line in drawn] == [31.0]


def cells(values, se):
    return pd.DataFrame({"esr_ohm": values, "esr_ohm_se": se}, dtype=float)


def test_resistance_carries_its_uncertainty_and_is_never_negative():
    text = resistance_words(cells([-0.81, 1.1, 1.9, 2.4, 10.0], [0.6, 0.2, 0.3, 0.3, 1.3]))
    assert text == (
        "Series resistance of 5 cells: median 1.9 Ω; standard uncertainty of one cell 0.30 Ω "
        "(median of 5 cells). In 1 cell it is not told apart from 0 (less than 2 standard "
        "uncertainties above it); in the others it lies between 1.10 ± 0.20 Ω and 10.0 ± 1.3 Ω "
        "(± standard uncertainty)."
    )


@pytest.mark.parametrize(
    ("values", "se", "expected"),
    [
        ([2.14], [0.021], "Series resistance of the one cell: 2.140 ± 0.021 Ω (standard"),
        ([2.14], [np.nan], "Series resistance of the one cell: 2.14 Ω (uncertainty not given)."),
        ([-0.5], [0.4], "not told apart from 0; it may be as much as 0.80 Ω"),
        ([-0.5], [np.nan], "Series resistance of the one cell: not told apart from 0."),
        ([-0.5, 0.1], [0.4, 0.4], "in all of 2 cells not told apart from 0"),
        ([-0.5, 0.1, 9.0], [0.4, 0.4, 1.0], "In 2 cells it is not told apart from 0"),
        ([-0.5, 0.1, 9.0], [0.4, 0.4, 1.0], "3 cells: median not told apart from 0;"),
        ([-0.5, 0.1, 9.0], [0.4, 0.4, 1.0], "in the others it lies at 9.0 ± 1.0 Ω."),
        ([1.0, 2.0], [np.nan, np.nan], "median 1.5 Ω. It lies between 1.00 Ω and 2.00 Ω."),
        ([np.nan], [np.nan], ""),
    ],
)
def test_resistance_of_few_cells(values, se, expected):
    text = resistance_words(cells(values, se))
    assert expected in text
    assert "-0" not in text
    assert "−" not in text


def words_in(node):
    """Texts that an expression may come to; not those that it only compares with."""
    if isinstance(node, ast.Constant):
        return {node.value} if isinstance(node.value, str) and node.value else set()
    if isinstance(node, ast.IfExp):
        return words_in(node.body) | words_in(node.orelse)
    if isinstance(node, (ast.List, ast.Tuple, ast.Set)):
        return set().union(*map(words_in, node.elts))
    if isinstance(node, (ast.BoolOp, ast.BinOp)):
        parts = node.values if isinstance(node, ast.BoolOp) else [node.left, node.right]
        return set().union(*map(words_in, parts))
    if isinstance(node, (ast.ListComp, ast.GeneratorExp)):
        return words_in(node.elt)
    return set()


def is_flag(node):
    """Whether a name, an attribute or a key is that of a flag or of flags."""
    name = getattr(node, "id", None) or getattr(node, "attr", None) or getattr(node, "arg", None)
    if isinstance(node, ast.Subscript):
        name = getattr(node.slice, "value", None)
    return name in ("flag", "flags", "quality")


def places_of_flags(tree):
    """By function or class of a module: which of its arguments is a flag."""
    places = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            names = [arg.arg for arg in node.args.args]
        elif isinstance(node, ast.ClassDef):
            names = [n.target.id for n in node.body if isinstance(n, ast.AnnAssign)]
        else:
            continue
        places[node.name] = [k for k, name in enumerate(names) if name in ("flag", "flags")]
    return places


class _Spelt(ast.NodeTransformer):
    """Puts the text of a module's constants in place of their names."""

    def __init__(self, tree):
        self.texts = {
            node.targets[0].id: node.value
            for node in tree.body
            if isinstance(node, ast.Assign)
            and isinstance(node.targets[0], ast.Name)
            and isinstance(node.value, ast.Constant)
        }

    def visit_Name(self, node):
        return self.texts.get(node.id, node) if isinstance(node.ctx, ast.Load) else node


def emitted_flags(source):
    """Every flag that a module appends, assigns, returns from ``_flags`` or passes on."""
    tree = ast.parse(source)
    tree = _Spelt(tree).visit(tree)
    places = places_of_flags(tree)
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = getattr(node.func, "id", None) or getattr(node.func, "attr", None)
            if called in ("append", "extend", "insert", "add") and is_flag(
                getattr(node.func, "value", None)
            ):
                found |= set().union(*map(words_in, node.args))
            for k in places.get(called, ()):
                found |= set().union(*map(words_in, node.args[k : k + 1]))
            found |= set().union(*(words_in(k.value) for k in node.keywords if is_flag(k)))
        elif isinstance(node, (ast.Assign, ast.AugAssign, ast.AnnAssign)):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            if node.value is not None and any(map(is_flag, targets)):
                found |= words_in(node.value)
        elif isinstance(node, ast.FunctionDef) and node.name.strip("_") in ("flag", "flags"):
            for inner in ast.walk(node):
                if isinstance(inner, ast.Return) and inner.value is not None:
                    found |= words_in(inner.value)
    return found


@pytest.mark.parametrize(
    "source",
    [
        "flags.append('a' if x > 'y' else 'b')",
        "one.flags.extend(['a', 'b'])",
        "one.flags += ['a', 'b']",
        "class S:\n    ohm: float\n    flag: str = ''\nS(1.0, 'a')\nS(1.0, flag='b')",
        "def f(x, flag):\n    pass\nf(1, 'a')\nf(1, 'b')",
        "flag = 'a' or 'b'",
        "A = 'a'\nB = 'b'\nflags += [A, B]",
        "row['quality'] = 'a' if x else 'b'",
        "def _flags(x):\n    return ['a', 'b']",
    ],
)
def test_flags_are_found_however_they_are_emitted(source):
    assert emitted_flags(source) == {"a", "b"}


def test_every_flag_of_the_evaluation_is_explained():
    found = set()
    for path in (LIBRARY / "capacitance").glob("*.py"):
        found |= emitted_flags(path.read_text(encoding="utf-8"))
    assert {"first step not resolved", "series resistance from another test"} <= found
    assert found == set(MEANINGS)


def test_flags_are_counted_by_test_and_flag():
    tests = pd.DataFrame({"test": ["T1", "T2", "T3"], "quality": ["a; b", None, "a; a"]})
    assert flags_of(tests) == {"a": ["T1", "T3"], "b": ["T1"]}
    assert count_flagged(tests) == 2
    assert flags_table(tests.iloc[1:2], file="f") is None
    assert flags_of(tests.drop(columns="quality")) == {}


def test_nothing_unfilled_gives_nothing():
    inputs = {"unfilled": {"not_weighed": []}, "counts": {"design": 3, "firings": 2}}
    assert unfilled_table(inputs) is None
    assert unfilled_sentences(inputs) == []
    assert unfilled_sentences({}) == []


def test_counts_and_verbs_agree():
    assert [count_words(n, "lot") for n in (0, 1, 2)] == ["0 lots", "1 lot", "2 lots"]
    assert [agree(n, "goes", "go") for n in (0, 1, 2)] == ["go", "goes", "go"]
    assert n_words(1, "lot") == "n = 1 lot"
    assert n_words(4, "lot") == "n = 4 lots"
    assert list_ids([]) == ""
    assert list_ids(["a"]) == "a"
    assert list_ids(["a", "b", "c"]) == "a, b and c"
    assert list_ids(list("abcd"), most=2) == "a, b and 2 more"


def test_candidates_that_differ_in_activation_alone_differ_in_words():
    row = {"feedstock": "hemp", "peak_temperature_C": 600.0, "hold_min": 60.0}
    row |= {"activation": "KOH", "koh_ratio": 3.0}
    ids = [f"hemp_600C_60min_KOH3_{end}" for end in ("700C_30min", "700C_60min", "800C_30min")]
    words = [candidate_words(row | {"candidate": name}, {"hemp": "Hemp"}) for name in ids]
    assert words == [
        f"Hemp, 600 °C, 60 min, KOH 3 : 1, activated at {end}"
        for end in ("700 °C for 30 min", "700 °C for 60 min", "800 °C for 30 min")
    ]
    assert candidate_words(row | {"candidate": "hemp_600C_60min_KOH3"}) == (
        "hemp, 600 °C, 60 min, KOH 3 : 1"
    )


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("hemp_600C_60min is not ranked.", "Hemp, 600 °C, 60 min, not activated is not ranked."),
        (
            "a_1_650.5C_45min_KOH2.5, hemp_600C_60min_KOH3 and 4 more are not ranked.",
            "a_1, 650.5 °C, 45 min, KOH 2.5 : 1; Hemp, 600 °C, 60 min, KOH 3 : 1 and 4 more "
            "are not ranked.",
        ),
        (
            "hemp_600C_60min_KOH3_700C_30min and b_600C_60min are",
            "Hemp, 600 °C, 60 min, KOH 3 : 1, activated at 700 °C for 30 min; and "
            "b, 600 °C, 60 min, not activated are",
        ),
        (
            "No candidate is ranked, and none at 600 °C.",
            "No candidate is ranked, and none at 600 °C.",
        ),
    ],
)
def test_candidate_ids_turn_into_words(text, expected):
    assert candidates_in_words(text, {"hemp": "Hemp"}) == expected


def test_every_level_of_the_models_has_words_for_its_scatter():
    experimental = set(LEVELS) - {"feedstock", "feedstock|temperature", "feedstock:activation"}
    assert experimental == set(BETWEEN)
