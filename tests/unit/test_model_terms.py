"""Which terms and levels a design supports, and the words for those it does not."""

import numpy as np
import pandas as pd
import pytest
from charscreen.models.covariates import covariate_columns, make_covariates, term_columns
from charscreen.models.fixed_view import fixed_view, plain_flag
from charscreen.models.left_out import factors_left_out, give_room, not_tied
from charscreen.models.levels import Levels, choose_levels
from charscreen.models.terms import Terms, choose_terms, levels_of

PLAIN = ("temperature", "log2_hold", "activated")


def lots_of(firings, feedstocks, activation=lambda firing, k: "none"):
    """One lot per feedstock in each firing; `firings` is a list of (°C, min)."""
    rows = []
    for f, (temperature, hold) in enumerate(firings):
        for k, feedstock in enumerate(feedstocks):
            on = activation(f, k)
            rows.append(
                {
                    "aliquot": f"R{f}{k}",
                    "lot": f"R{f}{k}",
                    "feedstock": feedstock,
                    "firing": f"C{f}",
                    "activation": on,
                    "activation_firing": f"A{f % 3}" if on != "none" else None,
                    "peak_temperature_C": float(temperature),
                    "hold_min": float(hold),
                    "koh_ratio": 3.0 if on != "none" else np.nan,
                    "activation_temperature_C": 700.0 if on != "none" else np.nan,
                    "activation_hold_min": 60.0 if on != "none" else np.nan,
                }
            )
    return pd.DataFrame(rows)


def chosen(lots, names=None):
    covariates = make_covariates(lots)
    if names is not None:
        covariates = {name: covariates[name] for name in names}
    return choose_terms(lots, covariates)


def reason(terms, term):
    return next(row["reason"] for row in terms.dropped if row["term"] == term)


CROSSED = [(t, h) for t in (600, 700, 800) for h in (30, 60)] * 2


def half(firing, k):
    return "KOH" if (firing // 6 + k) % 2 else "none"


def test_a_crossed_design_supports_everything():
    terms = chosen(lots_of(CROSSED, "abcd", half))
    assert terms.names == [
        "temperature",
        "log2_hold",
        "activated",
        "temperature_squared",
        "temperature_by_activation",
    ]
    assert {row["term"] for row in terms.dropped} == {
        "KOH ratio",
        "activation temperature",
        "activation hold",
    }
    assert terms.forbids == [
        "Nothing can be said about the effect of what did not vary: KOH ratio (3 g/g), "
        "activation temperature (700 °C), activation hold (60 min)."
    ]


@pytest.mark.parametrize("jitter", [0.0, 4.0])
def test_hold_that_changes_with_temperature_is_dropped_in_words(jitter):
    # What the kiln did differs from the plan by a few degrees; that must not carry an effect.
    rng = np.random.default_rng(1)
    firings = [
        (t + jitter * rng.normal(), h) for t, h in [(600, 30), (700, 60), (800, 120)] for _ in "123"
    ]
    terms = chosen(lots_of(firings, "abcd"))
    assert "temperature" in terms.names
    assert "log2_hold" not in terms.names
    assert reason(terms, "hold") == "hold and peak temperature changed together in every firing"
    assert any("cannot be told apart: they changed together" in text for text in terms.forbids)


def test_constant_temperature_is_dropped_with_its_value():
    terms = chosen(lots_of([(702, 30), (698, 60), (700, 30), (700, 60)], "abc"))
    assert reason(terms, "peak temperature") == "it did not vary (698 to 702 °C)"
    assert terms.names == ["log2_hold"]


def test_two_firings_cannot_tell_temperature_from_their_scatter():
    terms = chosen(lots_of([(600, 60), (800, 60)], "abcd"))
    assert terms.names == []
    assert reason(terms, "peak temperature") == (
        "2 firings cannot tell its effect from the scatter between firings"
    )


def test_feedstocks_fired_at_one_temperature_each():
    lots = lots_of([(600, 60), (800, 60)] * 4, "abcd")
    keep = [(row.feedstock in "ab") == (row.peak_temperature_C == 600) for row in lots.itertuples()]
    terms = chosen(lots[keep])
    assert reason(terms, "peak temperature") == (
        "no feedstock was measured at more than one peak temperature"
    )


def test_activation_only_on_some_feedstocks():
    lots = lots_of(CROSSED, "abcd", lambda f, k: "KOH" if k > 1 else "none")
    terms = chosen(lots)
    assert reason(terms, "activation") == (
        "no feedstock was measured both with and without activation"
    )
    assert "temperature_by_activation" not in terms.names


@pytest.mark.parametrize(
    ("side", "words"),
    [("none", "no activated lot is measured"), ("KOH", "every lot measured is activated")],
)
def test_one_side_of_activation(side, words):
    terms = chosen(lots_of(CROSSED, "abcd", lambda f, k: side))
    assert reason(terms, "activation") == words
    assert f"Nothing can be said about what activation changes: {words}." in terms.forbids


def test_two_temperatures_show_no_bend():
    terms = chosen(lots_of([(600, 60), (800, 60)] * 4, "abcd"))
    assert "temperature_squared" not in terms.names
    assert reason(terms, "peak temperature squared") == "only 2 levels of peak temperature"
    assert any("two levels show no bend" in text for text in terms.forbids)


def test_one_firing_at_a_level_is_too_few_for_a_square():
    terms = chosen(lots_of([(600, 60)] * 4 + [(700, 60)] + [(800, 60)] * 4, "abcd"))
    assert reason(terms, "peak temperature squared") == (
        "fewer than two firings at each of three peak temperatures"
    )


def test_interaction_needs_both_sides_at_two_temperatures():
    def only_hot(firing, k):
        return "KOH" if CROSSED[firing][0] == 800 and k % 2 else "none"

    terms = chosen(lots_of(CROSSED, "abcd", only_hot))
    assert "activated" in terms.names
    assert "temperature_by_activation" not in terms.names


def test_no_square_and_no_interaction_without_their_main_effects():
    terms = chosen(lots_of([(700, 30), (700, 60)] * 4, "abcd", half))
    assert set(terms.names) == {"log2_hold", "activated"}


def test_no_lots_give_no_terms():
    lots = lots_of(CROSSED, "ab").iloc[:0]
    assert choose_terms(lots, make_covariates(lots)) == Terms()


def test_columns_are_centred_and_only_for_whom_they_concern():
    lots = lots_of([(600, 30), (800, 60)], "ab", lambda f, k: "KOH" if k else "none")
    lots.loc[lots["activation"] == "KOH", "koh_ratio"] = [2.0, 4.0]
    made = make_covariates(lots)
    base = covariate_columns(lots, made)
    assert base["temperature"].tolist() == [-1, -1, 1, 1]
    assert base["log2_hold"].tolist() == [-0.5, -0.5, 0.5, 0.5]
    assert base["koh_ratio"].tolist() == [0, -1, 0, 1]
    product = [{"name": "x", "factors": ["temperature", "activated"]}]
    assert term_columns(lots, made, product)["x"].tolist() == [0, -1, 0, 1]
    # A condition that is not given stands at the centre of the screen.
    asked = pd.DataFrame({"activation": ["KOH"], "peak_temperature_C": [750.0]})
    assert covariate_columns(asked, made).iloc[0].to_dict() == {
        "temperature": 0.5,
        "log2_hold": 0.0,
        "activated": 1.0,
        "koh_ratio": 0.0,
        "activation_temperature": 0.0,
        "activation_log2_hold": 0.0,
    }


def test_levels_are_cut_at_wide_gaps():
    values = np.array([706.0, 598.0, 694.0, 802.0, 700.0])
    assert levels_of(values, 20.0).tolist() == [1, 0, 1, 2, 1]


# --- terms that find no room, and factors without a term -------------------------------------


def test_terms_go_from_the_last_and_activation_after_all_others():
    lots = lots_of(CROSSED, "abcd", half)
    covariates = make_covariates(lots)
    terms = choose_terms(lots, covariates)
    assert give_room(terms, covariates, -1) == 2
    assert terms.names == ["temperature", "activated"]
    assert [row["term"] for row in terms.dropped[-3:]] == [
        "peak temperature by activation",
        "peak temperature squared",
        "hold",
    ]
    assert terms.forbids[-3:] == [
        f"Nothing can be said about {what}: too few lots for another term."
        for what in (
            "peak temperature by activation",
            "peak temperature squared",
            "the effect of hold",
        )
    ]
    assert give_room(terms, covariates, 1) == 2
    assert terms.names == ["activated"]
    assert give_room(terms, covariates, 2) == 2
    assert give_room(terms, covariates, 0) == 1
    assert terms.names == []


def test_a_hold_that_follows_temperature_is_tied_to_it():
    lots = lots_of([(t, h) for t, h in [(600, 30), (700, 60), (800, 120)] for _ in "123"], "abcd")
    covariates = make_covariates(lots)
    terms = choose_terms(lots, covariates)
    found = factors_left_out(lots, covariates, terms)
    assert found["uncompared"] == []
    assert [row["factor"] for row in found["tied"]] == ["log2_hold"]
    model = {"covariates": covariates, "terms": terms.chosen, **found}
    asked = lots_of([(600, 30), (800, 120), (600, 120), (800, 30)], "a")
    reasons = not_tied(model, asked)
    assert reasons[:2] == ["", ""]
    assert (
        reasons[2:]
        == ["the model has no term for hold, and what is measured lies at another one"] * 2
    )


def test_another_koh_ratio_than_the_one_measured_is_not_answered():
    lots = lots_of(CROSSED, "abcd", half)
    covariates = make_covariates(lots)
    terms = choose_terms(lots, covariates)
    model = {"covariates": covariates, "terms": terms.chosen}
    model |= factors_left_out(lots, covariates, terms)
    asked = lots.iloc[[1, 1, 1, 0]].assign(koh_ratio=[3.0, 2.0, np.nan, np.nan])
    assert asked["activation"].tolist() == ["KOH", "KOH", "KOH", "none"]
    reasons = not_tied(model, asked)
    assert "no term for KOH ratio" in reasons[1]
    assert [reasons[0], *reasons[2:]] == ["", "", ""]


def test_one_value_for_both_sides_of_activation_is_listed_once():
    lots = lots_of([(700, 60)] * 4, "ab", lambda f, k: "KOH" if k == 0 and f == 3 else "none")
    data = lots.assign(y=np.random.default_rng(2).normal(size=len(lots)), w=1.0)
    means = fixed_view(data, Terms(), Levels(), scale="log", interval_percent=90).means
    assert means[["feedstock", "activation", "n_lots"]].to_numpy().tolist() == [
        ["a", "none", 3],
        ["b", "none", 4],
    ]


@pytest.mark.parametrize(
    ("flag", "sentence"),
    [
        (
            "the variance of 'feedstock|temperature' is estimated as zero",
            "The variance of feedstock by temperature is estimated as zero.",
        ),
        (
            "random term 'activation_firing' dropped: too few",
            "Random level activation firing dropped: too few.",
        ),
    ],
)
def test_flags_name_levels_in_words(flag, sentence):
    assert plain_flag(flag) == sentence


# --- random levels --------------------------------------------------------------------------


def cells_of(lots, n=2):
    return lots.loc[lots.index.repeat(n)].reset_index(drop=True)


def test_levels_of_a_full_design():
    lots = lots_of(CROSSED, "abcd", half)
    levels = choose_levels(cells_of(lots), chosen(lots), unit="cell")
    assert levels.random == ["firing", "lot", "activation_firing"]
    assert levels.pooled == ["feedstock", "feedstock|temperature", "feedstock:activation"]
    assert levels.dropped == []
    assert levels.forbids == []
    assert choose_levels(lots, chosen(lots, PLAIN[:2]), unit="lot").random == [
        "firing",
        "activation_firing",
    ]


def test_one_cell_per_lot_joins_lot_and_cell():
    lots = lots_of(CROSSED, "abcd")
    levels = choose_levels(lots, chosen(lots), unit="cell")
    assert levels.random == ["firing"]
    assert levels.dropped[0] == {"term": "lot", "reason": "fewer than three lots have two cells"}
    assert "scatter of lots cannot be told from that of cells" in levels.forbids[0]


def test_one_firing_and_one_feedstock_are_said():
    lots = lots_of([(700, 60)], "aaaaaa")
    levels = choose_levels(cells_of(lots), chosen(lots), unit="cell")
    assert levels.random == ["lot"]
    assert levels.pooled == []
    assert [row["term"] for row in levels.dropped] == ["firing", "feedstock"]
    assert "all rests on one firing" in levels.forbids[0]


def test_one_lot_per_firing_joins_firing_and_lot():
    lots = lots_of([(700, 60)] * 8, "a")
    levels = choose_levels(cells_of(lots), chosen(lots), unit="cell")
    assert levels.random == ["lot"]
    assert "nearly every firing holds one lot" in levels.forbids[0]


def test_feedstocks_in_one_firing_each_are_said():
    lots = lots_of([(700, 60)] * 4, "abcdefgh")
    lots = lots[[ord(r.feedstock) % 4 == int(r.firing[1]) for r in lots.itertuples()]]
    levels = choose_levels(cells_of(lots), chosen(lots), unit="cell")
    assert levels.forbids[0] == (
        "Differences between feedstocks cannot be told from differences between firings: "
        "no feedstock was in more than one firing."
    )


def test_few_firings_are_flagged():
    lots = lots_of([(700, 60)] * 3, "abcd")
    levels = choose_levels(cells_of(lots), chosen(lots), unit="cell")
    assert levels.flags == [
        "The scatter between firings rests on only 3 firings and is known badly."
    ]


def test_one_activation_firing_forbids_reaching_beyond_it():
    lots = lots_of(CROSSED, "abcd", half)
    lots.loc[lots["activation_firing"].notna(), "activation_firing"] = "A0"
    levels = choose_levels(cells_of(lots), chosen(lots), unit="cell")
    assert "activation_firing" not in levels.random
    assert "How much another activation firing would differ is not known" in levels.forbids[0]


def test_divided_lots_have_aliquots_as_a_level():
    lots = lots_of([(700, 60)] * 4, "abcd")
    second = lots.assign(
        aliquot=lots["aliquot"] + "k", activation="KOH", activation_firing=lots["firing"]
    )
    both = pd.concat([lots, second], ignore_index=True)
    levels = choose_levels(cells_of(both), chosen(both), unit="cell")
    assert levels.random[:3] == ["firing", "lot", "aliquot"]
    # Each char firing went into an activation firing of its own.
    assert "activation_firing" in [row["term"] for row in levels.dropped]
