import itertools

import numpy as np
import pytest
from cell_models import cycle_rc
from charscreen.capacitance.curves import find_crossing, integral, noise_sd
from charscreen.traces.segments import find_segments, turning_points


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
