"""Feed for a wanted mass of carbon: forward simulation, caps, bad input."""

from dataclasses import asdict

import numpy as np
import pytest
from charscreen.ledger import size_feed as size_feed_of_ledger
from charscreen.ledger.sizing import CRUCIBLE, KOH, carbon_for_cells, carbon_from_feed, size_feed
from scipy.stats import binom, norm

CHAR = {
    "moisture_ar_percent": 60.0,
    "moisture_u_percent": 2.0,
    "yield_char_d_percent": 28.0,
    "yield_char_spread_percent": 20.0,
}
ACTIVATED = CHAR | {"yield_activated_percent": 20.0, "yield_activated_spread_percent": 25.0}


def lognormal(rng, mean, relative, n):
    sigma = np.sqrt(np.log1p(relative**2))
    return mean * np.exp(sigma * rng.standard_normal(n) - sigma**2 / 2)


def simulate(feed_g, settings, *, char_limit_g=np.inf, n=40_000, seed=8):
    """Finished carbon of n lots, drawn from the stated factors. [g]"""
    rng = np.random.default_rng(seed)
    solids = 1 - settings["moisture_ar_percent"] / 100
    dry = feed_g * lognormal(rng, solids, settings["moisture_u_percent"] / 100 / solids, n)
    char = dry * lognormal(
        rng,
        settings["yield_char_d_percent"] / 100,
        settings["yield_char_spread_percent"] / 100,
        n,
    )
    if "yield_activated_percent" not in settings:
        return char
    return np.minimum(char, char_limit_g) * lognormal(
        rng,
        settings["yield_activated_percent"] / 100,
        settings["yield_activated_spread_percent"] / 100,
        n,
    )


def assert_share(share, chance, n=40_000):
    """The share simulated is within the 99.9 % binomial bounds of the chance stated."""
    lo, hi = binom.interval(0.999, n, chance)
    assert lo <= share * n <= hi, (share, chance)


@pytest.mark.parametrize("chance", [1.0, 10.0, 40.0])
@pytest.mark.parametrize("settings", [CHAR, ACTIVATED], ids=["char", "activated"])
def test_forward_from_that_feed_falls_short_as_often_as_stated(settings, chance):
    sizing = size_feed(1.5, **settings, short_chance_percent=chance)
    carbon = simulate(sizing.feed_ar_g, settings)
    assert sizing.chance_of_falling_short_percent == pytest.approx(chance, rel=1e-6)
    assert_share(np.mean(carbon < 1.5), chance / 100)
    assert sizing.expected_carbon_g == pytest.approx(carbon.mean(), rel=0.01)
    assert sizing.limited_by == ""


def test_without_spread_the_chain_is_plain_arithmetic():
    exact = {name: 0.0 if "spread" in name or "_u_" in name else v for name, v in ACTIVATED.items()}
    sizing = size_feed(1.0, **exact, koh_ratio=3.0)
    assert sizing.feed_ar_g == pytest.approx(1 / (0.4 * 0.28 * 0.2))
    assert sizing.feed_dry_g == pytest.approx(1 / (0.28 * 0.2))
    assert sizing.expected_char_g == pytest.approx(5.0)
    assert sizing.koh_g == pytest.approx(15.0)
    assert sizing.expected_carbon_g == pytest.approx(1.0)
    assert sizing.chance_of_falling_short_percent == 0.0


def test_crucible_caps_the_feed_and_the_chance_is_that_of_the_capped_feed():
    settings = ACTIVATED | {"bulk_density_g_per_L": 200.0, "crucible_volume_mL": 250.0}
    sizing = size_feed(1.5, **settings)
    assert sizing.feed_ar_g == pytest.approx(50.0)
    assert sizing.limited_by == CRUCIBLE
    short = np.mean(simulate(50.0, ACTIVATED) < 1.5)
    assert sizing.chance_of_falling_short_percent > 10
    assert_share(short, sizing.chance_of_falling_short_percent / 100)


def test_koh_limit_caps_the_char_that_goes_on():
    settings = ACTIVATED | {"koh_ratio": 4.0, "max_koh_g": 20.0}
    sizing = size_feed(1.5, **settings)
    assert sizing.limited_by == KOH
    assert sizing.expected_char_g == pytest.approx(5.0)
    assert sizing.koh_g == pytest.approx(20.0)
    carbon = simulate(sizing.feed_ar_g, ACTIVATED, char_limit_g=5.0)
    assert_share(np.mean(carbon < 1.5), sizing.chance_of_falling_short_percent / 100)
    assert sizing.expected_carbon_g == pytest.approx(carbon.mean(), rel=0.01)


def test_a_limit_that_is_felt_but_leaves_the_chance_within_reach():
    settings = ACTIVATED | {"koh_ratio": 4.0, "max_koh_g": 50.0}
    wanted = 1.5
    free, felt = size_feed(wanted, **ACTIVATED), size_feed(wanted, **settings)
    assert felt.limited_by == ""
    assert felt.feed_ar_g > free.feed_ar_g
    carbon = simulate(felt.feed_ar_g, ACTIVATED, char_limit_g=12.5)
    assert felt.chance_of_falling_short_percent == pytest.approx(10.0, rel=1e-4)
    assert_share(np.mean(carbon < wanted), 0.10)


@pytest.mark.parametrize("spread_percent", [20.0, 80.0])
def test_mean_of_a_capped_char_by_quadrature(spread_percent):
    """Derived: E[min(char, limit)] of a lognormal char, integrated over its normal logarithm."""
    settings = ACTIVATED | {"moisture_u_percent": 0.0, "yield_char_spread_percent": spread_percent}
    forward = carbon_from_feed(50.0, 1.0, **settings, koh_ratio=4.0, max_koh_g=20.0)
    sigma = np.sqrt(np.log1p((spread_percent / 100) ** 2))
    z = np.linspace(-10, 10, 200_001)
    char = 50.0 * 0.4 * 0.28 * np.exp(sigma * z - sigma**2 / 2)
    mean = np.trapezoid(np.minimum(char, 5.0) * norm.pdf(z), z)
    assert forward.expected_carbon_g == pytest.approx(0.2 * mean, rel=1e-6)


def test_without_spread_a_feed_does_or_does_not():
    exact = {name: 0.0 if "spread" in name or "_u_" in name else v for name, v in ACTIVATED.items()}
    needed = 1 / (0.4 * 0.28 * 0.2)
    for feed_g, chance in ((0.6 * needed, 100.0), (0.999 * needed, 100.0), (1.001 * needed, 0.0)):
        sizing = carbon_from_feed(feed_g, 1.0, **exact)
        assert sizing.chance_of_falling_short_percent == chance
    # 100 g of feed leave 11.2 g of char; 20 g of KOH at 4 : 1 take 5 g of it.
    for feed_g, carbon_g in ((100.0, 1.0), (10.0, 0.224)):
        sizing = carbon_from_feed(feed_g, 0.1, **exact, koh_ratio=4.0, max_koh_g=20.0)
        assert sizing.expected_carbon_g == pytest.approx(carbon_g)


def test_forward_is_the_inverse_of_sizing():
    settings = ACTIVATED | {"koh_ratio": 4.0, "max_koh_g": 40.0}
    sizing = size_feed(1.2, **settings)
    forward = carbon_from_feed(sizing.feed_ar_g, 1.2, **settings)
    assert asdict(forward) == pytest.approx(asdict(sizing))


def test_ledger_offers_the_same_call():
    assert size_feed_of_ledger is size_feed


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"moisture_ar_percent": 100.0}, "moisture_ar_percent is 100.0, not from 0 to below 100"),
        ({"yield_char_d_percent": 0.0}, "yield_char_d_percent is 0.0; it must be above zero"),
        ({"yield_char_d_percent": 100.5}, "more than the material put in"),
        ({"yield_activated_percent": 100.5}, "more than the material put in"),
        ({"yield_char_spread_percent": -1.0}, "below zero"),
        ({"yield_activated_spread_percent": None}, "yield_activated_spread_percent is missing"),
        ({"short_chance_percent": 0.0}, "not between 0 and 100"),
        ({"short_chance_percent": 100.0}, "not between 0 and 100"),
        ({"bulk_density_g_per_L": -5.0, "crucible_volume_mL": 250.0}, "bulk_density_g_per_L is -5"),
        ({"koh_ratio": 0.0, "max_koh_g": 40.0}, "koh_ratio is 0.0"),
        ({"koh_purity_percent": 100.5}, "koh_purity_percent is 100.5, not above 0 and up to 100"),
        ({"koh_purity_percent": 0.0}, "koh_purity_percent is 0.0, not above 0"),
    ],
)
def test_bad_input_names_the_figure(change, message):
    with pytest.raises(ValueError, match=message):
        size_feed(1.0, **(ACTIVATED | change))


@pytest.mark.parametrize("wanted", [0, -1.0, np.inf, np.nan, None])
def test_wanted_carbon_must_be_above_zero(wanted):
    with pytest.raises(ValueError, match=f"wanted_carbon_g is {wanted}; it must be above zero"):
        size_feed(wanted, **CHAR)


def test_pellets_are_heavier_than_their_koh():
    settings = ACTIVATED | {"koh_ratio": 3.0}
    pure = size_feed(1.0, **settings)
    pellets = size_feed(1.0, **settings, koh_purity_percent=85.0)
    assert pellets.feed_ar_g == pytest.approx(pure.feed_ar_g)
    assert pellets.koh_g == pytest.approx(pure.koh_g / 0.85)
    # The limit is on what is weighed, so it binds at less char.
    limited = [
        size_feed(50.0, **settings, max_koh_g=40.0, koh_purity_percent=purity)
        for purity in (100.0, 80.0)
    ]
    assert [sizing.limited_by for sizing in limited] == [KOH, KOH]
    assert limited[1].expected_char_g == pytest.approx(0.8 * limited[0].expected_char_g)
    assert limited[1].koh_g <= 40.0 * (1 + 1e-9)


def test_carbon_for_a_number_of_cells():
    # Derived: 3 cells, 2 electrodes of 12 mg with 80 % carbon, half lost: 6 x 9.6 / 0.5 mg.
    grams = carbon_for_cells(3, coating_mg=12.0, carbon_percent=80.0, loss_percent=50.0)
    assert grams == pytest.approx(0.1152)
    assert carbon_for_cells(1, coating_mg=10.0, carbon_percent=100.0) == pytest.approx(0.02)


@pytest.mark.parametrize(
    "wrong",
    [
        {"cells": 0},
        {"coating_mg": 0.0},
        {"carbon_percent": 101.0},
        {"loss_percent": 100.0},
        {"loss_percent": -1.0},
    ],
)
def test_cells_that_cannot_be_made(wrong):
    good = {"cells": 2, "coating_mg": 10.0, "carbon_percent": 80.0, "loss_percent": 10.0}
    settings = good | wrong
    with pytest.raises(ValueError, match=next(iter(wrong))):
        carbon_for_cells(settings.pop("cells"), **settings)
