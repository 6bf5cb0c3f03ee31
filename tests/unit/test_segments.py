import itertools

import numpy as np
import pytest
from cell_models import cycle_rc
from charscreen.curves import find_crossing, integral, noise_sd
from charscreen.traces.segments import find_segments
from charscreen.traces.swings import turning_points
from hypothesis import given, settings
from hypothesis import strategies as st


def kinds(segments):
    return [s.kind for s in segments]


@pytest.mark.parametrize("noise", [0.0, 2e-3])
@pytest.mark.parametrize("logged", [True, False])
def test_kinds_and_cycles(noise, logged):
    t, v, i = cycle_rc(rest_samples=30, n_cycles=2, noise_V=noise)
    segments = find_segments(t, v, i if logged else None)
    # A discharge ends its cycle; the rest after it still belongs to it.
    found = [(s.kind, s.cycle) for s in segments if s.stop - s.start > 3]
    assert found == [
        ("charge", 1), ("rest", 1), ("discharge", 1), ("rest", 1),
        ("charge", 2), ("rest", 2), ("discharge", 2), ("rest", 2),
    ][: len(found)]  # fmt: skip
    assert len(found) >= 7
    # Every sample belongs to one segment.
    assert segments[0].start == 0
    assert segments[-1].stop == len(t)
    assert all(a.stop == b.start for a, b in itertools.pairwise(segments))


def test_noisy_current_is_not_cut_up():
    t, v, i = cycle_rc(step_s=0.1, n_cycles=2)
    rng = np.random.default_rng(2)
    noisy = i * (1 + 0.05 * rng.standard_normal(len(i))) + 2e-4 * rng.standard_normal(len(i))
    long = [s for s in find_segments(t, v, noisy) if s.stop - s.start > 2]
    assert kinds(long) == ["charge", "discharge"] * 2


def test_small_current_beside_a_large_one_is_no_rest():
    t1, v1, i1 = cycle_rc(n_cycles=1, current_A=20e-3, step_s=0.25)
    t2, v2, i2 = cycle_rc(n_cycles=1, current_A=1e-3, step_s=5.0)
    t = np.concatenate([t1, t1[-1] + 1 + t2])
    segments = find_segments(t, np.concatenate([v1, v2]), np.concatenate([i1, i2]))
    assert [s.kind for s in segments if s.kind != "rest"] == ["charge", "discharge"] * 2


def test_hold_is_told_from_charge():
    _, v, i = cycle_rc(n_cycles=1)
    first = int(np.argmax(i < 0))
    hold = 5e-3 * np.exp(-np.arange(1, 41) / 15.0)
    i2 = np.concatenate([i[:first], hold, i[first:]])
    v2 = np.concatenate([v[:first], np.full(40, v[first - 1]), v[first:]])
    segments = find_segments(np.arange(len(v2), dtype=float), v2, i2)
    assert kinds(segments)[:4] == ["rest", "charge", "hold", "discharge"]
    assert segments[2].start == pytest.approx(first, abs=3)


def test_blip_inside_a_step_belongs_to_it():
    t, v, i = cycle_rc(n_cycles=1)
    i = i.copy()
    i[40:42] = 0.0
    assert kinds(find_segments(t, v, i)) == ["rest", "charge", "discharge"]


def test_steps_that_begin_or_end_outside_the_file():
    t, v, i = cycle_rc(n_cycles=3)
    part = slice(150, 500)
    segments = find_segments(t[part], v[part], i[part])
    assert kinds(segments) == ["discharge", "charge", "discharge", "charge", "discharge"]
    assert [s.cycle for s in segments] == [1, 2, 2, 3, 3]


def test_too_short_or_flat_a_record_has_no_swings():
    assert find_segments(np.arange(2.0), np.arange(2.0)) == []
    flat = find_segments(np.arange(50.0), np.full(50, 0.4))
    assert kinds(flat) == ["rest"]


def test_turning_points_of_a_saw():
    v = np.concatenate([np.linspace(0, 1, 11), np.linspace(0.9, 0, 10), np.linspace(0.1, 0.5, 5)])
    assert turning_points(v, 0.2) == [0, 10, 20, 25]
    assert turning_points(v, 0.7) == [0, 10, 20]
    assert turning_points(np.zeros(5), 0.1) == []


def turning_points_one_by_one(values, swing):
    """The definition, sample by sample."""
    points, low, high, direction = [], 0, 0, 0
    for i, value in enumerate(values):
        if direction >= 0 and value > values[high]:
            high = i
        if direction <= 0 and value < values[low]:
            low = i
        if direction >= 0 and values[high] - value >= swing:
            points.append(high)
            direction, low = -1, i
        elif direction <= 0 and value - values[low] >= swing:
            points.append(low)
            direction, high = 1, i
    return points + ([high if direction > 0 else low] if direction else [])


@settings(max_examples=300, deadline=None)
@given(steps=st.lists(st.integers(-4, 4), max_size=80), swing=st.sampled_from([0.5, 1, 2, 5, 9]))
def test_turning_points_skip_ripples_without_loss(steps, swing):
    values = np.cumsum(np.array(steps, dtype=float))
    assert turning_points(values, swing) == turning_points_one_by_one(values, swing)


def test_noise_is_found_on_a_slope_with_a_step():
    rng = np.random.default_rng(5)
    x = np.linspace(0, 30, 4000) + np.where(np.arange(4000) > 2000, 3.0, 0.0)
    # Relative standard error of a median-based scale over 4,000 samples is about 2 %.
    assert noise_sd(x + 0.01 * rng.standard_normal(4000)) == pytest.approx(0.01, rel=0.08)
    assert noise_sd(x) < 1e-9


def test_crossing():
    t, v = np.arange(11.0), np.linspace(1.0, 0.0, 11)
    assert find_crossing(t, v, 0.85, noise=0.0, edge=0.0).time_s == pytest.approx(1.5)
    assert find_crossing(t, v, 1.2, noise=0.0, edge=0.01) is None
    assert find_crossing(t, v, -0.1, noise=0.0, edge=0.01) is None
    rng = np.random.default_rng(1)
    t = np.linspace(0, 10, 5001)
    errors = []
    for _ in range(200):
        noisy = 1.0 - t / 10.0 + 0.01 * rng.standard_normal(len(t))
        crossing = find_crossing(t, noisy, 0.5, noise=0.01, edge=0.0)
        errors.append((crossing.time_s - 5.0) / crossing.se_s)
    # Chi-square of 200 at 0.1 % and 99.9 % on either side of 1, with the error's own estimate.
    assert 0.7 < np.mean(np.square(errors)) < 1.5


def test_integral_of_a_line():
    assert integral(np.array([0.0, 1.0, 3.0]), np.array([0.0, 1.0, 3.0])) == pytest.approx(4.5)


#: One circuit at 1 Hz and one at 1 kHz: a charge takes 99 s and 9.9 s.
RATES = {"1 Hz": {}, "1 kHz": {"capacitance_F": 0.05, "step_s": 1e-3}}


def truth(n_up, n_down, *, rest, hold, n_cycles):
    """Kinds and last samples of the parts of `cycle_rc`."""
    parts = [("rest", 1)]
    for _ in range(n_cycles):
        parts += [("charge", n_up), ("hold", hold), ("rest", rest), ("discharge", n_down),
                  ("rest", rest)]  # fmt: skip
    parts = [(kind, count) for kind, count in parts if count]
    return [kind for kind, _ in parts], np.cumsum([count for _, count in parts])


def merged(parts):
    """Kinds and stops with neighbouring holds and rests as one rest.

    A hold whose current has died away is a rest to the eye; the voltage alone tells neither.
    """
    kept = []
    for kind, stop in parts:
        kind = "rest" if kind == "hold" else kind
        if kept and kept[-1][0] == kind:
            kept.pop()
        kept.append((kind, stop))
    return [kind for kind, _ in kept], np.array([stop for _, stop in kept])


@pytest.mark.parametrize("logged", [True, False], ids=["current", "voltage alone"])
@pytest.mark.parametrize("noise", [0.0, 2e-3], ids=["quiet", "noisy"])
@pytest.mark.parametrize(("rest", "hold"), [(0, 0), (0.3, 0), (0, 0.3), (0.2, 0.2)],
                         ids=["bare", "rests", "holds", "both"])  # fmt: skip
@pytest.mark.parametrize("rate", RATES)
def test_every_kind_of_record(rate, rest, hold, noise, logged):
    bare = cycle_rc(n_cycles=1, **RATES[rate])
    n_up = int((bare[2] > 0).sum())
    rest, hold = round(rest * n_up), round(hold * n_up)
    t, v, i = cycle_rc(
        n_cycles=3, rest_samples=rest, hold_samples=hold, noise_V=noise, **RATES[rate]
    )
    n_down = int((i < 0).sum()) // 3
    if noise:
        rng = np.random.default_rng(3)
        i = i * (1 + 0.02 * rng.standard_normal(len(i))) + 2e-5 * rng.standard_normal(len(i))
    segments = find_segments(t, v, i if logged else None)
    wanted, stops = truth(n_up, n_down, rest=rest, hold=hold, n_cycles=3)
    wanted, stops = merged(zip(wanted, stops, strict=True))
    found = list(zip(*merged((s.kind, s.stop) for s in segments), strict=True))
    # A first sample without current may count to the charge: the voltage does not tell.
    if not logged and wanted[0] == "rest" and found[0][0] != "rest":
        wanted, stops = wanted[1:], stops[1:]
    assert [kind for kind, _ in found] == wanted
    per_sample = 5e-3 * RATES[rate].get("step_s", 1.0) / RATES[rate].get("capacitance_F", 0.5)
    allowed = 2 + (4.0 * noise / per_sample if not logged else 0)
    if hold and logged:  # a hold is seen once its current has fallen by a tenth
        allowed += 0.3 * (t[1] - t[0]) ** -1 * 2.0 * RATES[rate].get("capacitance_F", 0.5)
    assert np.abs(np.array([stop for _, stop in found]) - stops).max() <= allowed


@pytest.mark.parametrize("logged", [True, False], ids=["current", "voltage alone"])
@pytest.mark.parametrize("noise", [0.0, 2e-3], ids=["quiet", "noisy"])
@pytest.mark.parametrize(("begin", "end"), [(0.5, 4.6), (1.4, 3.2), (0.02, 2.03)])
def test_steps_cut_by_the_file(begin, end, noise, logged):
    t, v, i = cycle_rc(n_cycles=3, noise_V=noise)
    n = 99
    part = slice(1 + round(begin * n), 1 + round(end * n))
    segments = find_segments(t[part], v[part], i[part] if logged else None)
    kinds_wanted = ["charge", "discharge"] * 3
    first, last = int(begin), int(end)
    wanted = kinds_wanted[first : last + (end > last)]
    long = [s for s in segments if s.stop - s.start > 2 and s.kind != "rest"]
    if not logged and end - last < 0.1:  # three samples of a step are no swing
        wanted = wanted[: len(long)]
        assert len(long) >= last - first
    assert kinds(long) == wanted
    whole = [s.stop - s.start for s in long[1:-1]]
    assert np.allclose(whole, n, atol=2 if logged or not noise else 4)


@pytest.mark.parametrize("step_s", [0.1, 0.2, 0.5])
@pytest.mark.parametrize("noise_V", [5e-4, 1e-3, 2e-3])
@pytest.mark.parametrize("series_ohm", [2.0, 8.0])
def test_noise_as_large_as_the_rise_per_sample_feigns_no_rest(step_s, noise_V, series_ohm):
    # A charge of 5 mA on 0.5 F rises 1 mV in 0.1 s. A rest where there is none would make the step
    # of the discharge one of I R in place of 2 I R, and double the resistance.
    for seed in range(8):
        time, voltage, _ = cycle_rc(
            step_s=step_s, noise_V=noise_V, series_ohm=series_ohm, seed=seed
        )
        segments = find_segments(time, voltage)
        assert [s.kind for s in segments] == ["charge", "discharge"] * 3
