"""Wrong merits, expressions and limits in the settings: place and remedy."""

import pytest
from charscreen.screen.check_merits import check_prices
from charscreen.screen.config import load_config

CONFIG = """\
title: Small
kiln: {crucibles: 3, crucible_volume_mL: 100, max_temperature_C: 900}
balances:
  bench: {readability_g: 0.01}
"""


@pytest.fixture
def load(tmp_path):
    def made(text):
        path = tmp_path / "config.yaml"
        path.write_text(CONFIG + text, encoding="utf-8")
        return load_config(path)

    return made


@pytest.mark.parametrize(
    ("added", "line", "key", "words"),
    [
        ("merits: [cost_per_device]", 5, "merits", "Did you mean 'cost_per_device_F'?"),
        (
            "expressions:\n  f: {expression: device_F_per_kgd / cost_per_kg_d, unit: F}",
            6,
            "expressions.f.expression",
            "At position 1: 'device_F_per_kgd' is not known. Did you mean 'device_F_per_kg_d'?",
        ),
        (
            "expressions:\n  f: {expression: \"__import__('os')\", unit: F}",
            6,
            "expressions.f.expression",
            "At position 1: '__import__' is not a function.",
        ),
        (
            "expressions:\n  f:\n    expression: 2 ** (1 + 3\n    unit: F",
            7,
            "expressions.f.expression",
            "At position 12: ')' must stand here; found the end.",
        ),
        (
            "expressions:\n  f: {expression: 1 + 1, unit: F}",
            6,
            "expressions.f.expression",
            "It names no merit and no column, so all candidates would tie.",
        ),
        (
            "expressions:\n  koh_ratio: {expression: hold_min, unit: F}",
            6,
            "expressions.koh_ratio",
            "has a meaning of its own already. Choose another name.",
        ),
        (
            "expressions:\n  f: {expression: hold_min}",
            6,
            "expressions.f.unit",
            "The key is missing. Add it.",
        ),
        (
            "ranking:\n  must:\n    esr_area_ohm_cm: {at_most: 5}",
            7,
            "ranking.must.esr_area_ohm_cm",
            "Did you mean 'esr_area_ohm_cm2'?",
        ),
        (
            "ranking:\n  must:\n    esr_area_ohm_cm2: {at_most: 5, at_least: 6}",
            7,
            "ranking.must.esr_area_ohm_cm2",
            "No value is 6 at least and 5 at most.",
        ),
        (
            "ranking:\n  must:\n    esr_area_ohm_cm2: {under: 5}",
            7,
            "ranking.must.esr_area_ohm_cm2.under",
            "The key is unknown.",
        ),
        (
            "ranking:\n  must:\n    esr_area_ohm_cm2: {}",
            7,
            "ranking.must.esr_area_ohm_cm2",
            "The group is empty.",
        ),
    ],
)
def test_faults_name_their_place_and_the_remedy(load, added, line, key, words):
    _, findings = load(added + "\n")
    assert [(f.row, f.column) for f in findings] == [(line, key)]
    assert words in findings[0].message


def test_all_faults_are_told_at_once(load):
    _, findings = load("merits: [farads]\nexpressions:\n  f: {expression: 1 +, unit: F}\n")
    assert {f.column for f in findings} == {"merits", "expressions.f.expression"}


def test_a_merit_of_ones_own_may_be_ranked_and_limited(load):
    config, findings = load(
        "merits: [farads_per_money]\n"
        "expressions:\n  farads_per_money: {expression: 1 / cost_per_device_F, unit: F/money}\n"
        "ranking: {must: {farads_per_money: {at_least: 2}}}\n"
    )
    assert findings == []
    assert config["expressions"]["farads_per_money"]["better"] == "more"


def test_a_cost_without_any_price_says_where_to_write_one(load):
    config, findings = load(
        "merits: [cost_per_device_F]\n"
        "expressions:\n  f: {expression: hold_min / cost_per_kg_d, unit: u}\n"
        "ranking: {must: {cost_per_device_F: {at_most: 2}}}\n"
    )
    assert findings == []
    found = check_prices(config, [{"price_per_kg": None}])
    places = [("merits",), ("ranking", "must", "cost_per_device_F"), ("expressions", "f")]
    assert [key[: len(place)] for (key, *_), place in zip(found, places, strict=True)] == places
    assert found[0][2].startswith(
        "'cost_per_device_F' needs prices and none is given. Write some under prices "
        "(electricity_per_kWh, labour_per_h, koh_per_kg, acid_per_L) or price_per_kg in "
        "feedstocks.csv"
    )
    # Feed that costs nothing is a price too.
    assert check_prices(config, [{"price_per_kg": 0.0}]) == []
    config["prices"]["electricity_per_kWh"] = 0.3
    assert check_prices(config, []) == []
