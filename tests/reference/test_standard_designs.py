"""Standard designs against their published properties.

Sources: Plackett and Burman, Biometrika 1946, 33, 305; Box and Hunter, Ann. Math. Stat. 1957, 28,
195; Box and Behnken, Technometrics 1960, 2, 455; Jones and Nachtsheim, J. Qual. Technol. 2011, 43,
1; Montgomery, Design and Analysis of Experiments (2^(5-2) and 2^(5-1)). Properties from memory,
checked here by their own arithmetic.
"""

import itertools

import numpy as np
import pytest
from charscreen.designs.standard import (
    COMPOSITE,
    DEFINITIVE,
    EDGES,
    FILLING,
    FRACTION,
    FULL,
    SCREENING,
    aliases,
    rotatable_alpha,
    standard_design,
)


@pytest.mark.parametrize(("factors", "runs"), [(11, 12), (19, 20), (7, 8)])
def test_plackett_burman_is_orthogonal_and_balanced(factors, runs):
    design = standard_design(SCREENING, [2] * factors)
    assert design.shape == (runs, factors)
    assert set(np.unique(design)) == {-1.0, 1.0}
    np.testing.assert_allclose(design.T @ design, runs * np.eye(factors), atol=1e-12)
    np.testing.assert_allclose(design.sum(axis=0), 0, atol=1e-12)


def test_twelve_runs_are_those_of_the_published_generator():
    """++-+++---+- shifted round, and a run of minus: up to order and sign of runs and columns."""
    line = np.array([1 if sign == "+" else -1 for sign in "++-+++---+-"])
    published = np.vstack([[np.roll(line, k) for k in range(11)], -np.ones(11, dtype=int)])
    design = standard_design(SCREENING, [2] * 11)

    def triples(matrix):
        """Products of three columns, a mark that order and sign of columns do not change."""
        return sorted(
            abs(matrix[:, list(c)].prod(axis=1).sum()) for c in itertools.combinations(range(11), 3)
        )

    np.testing.assert_allclose(published.T @ published, 12 * np.eye(11))
    assert triples(design) == triples(published)


@pytest.mark.parametrize(("k", "alpha"), [(2, 1.41421), (3, 1.68179), (4, 2.0), (5, 2.37841)])
def test_central_composite_is_rotatable(k, alpha):
    assert rotatable_alpha(k) == pytest.approx(alpha, abs=1e-5)
    design = standard_design(COMPOSITE, [3] * k, centres=3)
    assert len(design) == 2**k + 2 * k + 3
    assert np.abs(design).max() == pytest.approx(1.0)
    corners = design[(np.abs(design) > 1e-9).sum(axis=1) == k]
    np.testing.assert_allclose(np.abs(corners), 1 / alpha, rtol=1e-5)
    # Rotatable: the fourth moments of one factor are three times the mixed ones.
    pure, mixed = (design[:, 0] ** 4).sum(), (design[:, 0] ** 2 * design[:, 1] ** 2).sum()
    assert pure / mixed == pytest.approx(3.0, rel=1e-9)


def test_box_behnken_of_three_factors_has_twelve_edges_and_the_centre():
    design = standard_design(EDGES, [3] * 3, centres=3)
    assert design.shape == (15, 3)
    edges = {tuple(row) for row in design if np.abs(row).sum() == 2}
    wanted = {
        tuple(sign[i] if i in pair else 0.0 for i in range(3))
        for pair in itertools.combinations(range(3), 2)
        for sign in itertools.product((-1.0, 1.0), repeat=3)
    }
    assert len(edges) == 12
    assert edges == wanted
    assert (np.abs(design).sum(axis=1) == 0).sum() == 3


@pytest.mark.parametrize("k", [4, 6, 8])
def test_definitive_screening_has_2k_plus_1_runs_and_clear_main_effects(k):
    design = standard_design(DEFINITIVE, [3] * k)
    assert design.shape == (2 * k + 1, k)
    gram = design.T @ design
    np.testing.assert_allclose(gram, np.diag(np.diag(gram)), atol=1e-12)
    np.testing.assert_allclose(np.diag(gram), 2 * k - 2)
    for i, j in itertools.combinations_with_replacement(range(k), 2):
        np.testing.assert_allclose(design.T @ (design[:, i] * design[:, j]), 0, atol=1e-12)


@pytest.mark.parametrize(("k", "correlation"), [(6, 0.1333), (8, 0.19)])
def test_correlation_of_curvatures_in_a_definitive_screening_design(k, correlation):
    squares = standard_design(DEFINITIVE, [3] * k) ** 2
    found = np.corrcoef(squares, rowvar=False)[np.triu_indices(k, 1)]
    np.testing.assert_allclose(np.abs(found), correlation, atol=0.001)


def test_aliasing_of_a_quarter_of_five_factors():
    """2^(5-2) with D = AB and E = AC: I = ABD = ACE = BCDE."""
    A, B, C = standard_design(FULL, [2] * 3).T
    design = np.column_stack([A, B, C, A * B, A * C])
    assert aliases(design, "ABCDE") == [
        "A = B:D = C:E",
        "B = A:D",
        "C = A:E",
        "D = A:B",
        "E = A:C",
        "B:C = D:E",
        "B:E = C:D",
    ]
    ours = standard_design(FRACTION, [2] * 5, resolution=3)
    assert ours.shape == (8, 5)
    sizes = sorted(text.count("=") + 1 for text in aliases(ours, "ABCDE"))
    assert sizes == [2, 2, 2, 2, 2, 2, 3]


@pytest.mark.parametrize(
    ("k", "resolution", "runs"),
    [(3, 3, 4), (4, 4, 8), (5, 3, 8), (5, 5, 16), (6, 4, 16), (7, 3, 8), (7, 4, 16), (8, 4, 16)],
)
def test_fractions_are_the_smallest_of_their_resolution(k, resolution, runs):
    """Runs as in the usual table of two-level fractions (Box, Hunter and Hunter; from memory)."""
    design = standard_design(FRACTION, [2] * k, resolution=resolution)
    assert design.shape == (runs, k)
    names = [f"x{i}" for i in range(k)]
    mains = [
        text for text in aliases(design, names) if any(":" not in w for w in text.split(" = "))
    ]
    assert (len(mains) == 0) == (resolution > 3)
    if resolution == 5:
        assert aliases(design, names) == []


def test_half_of_five_factors_gives_the_published_effects():
    """Yield of integrated circuits, 2^(5-1) with E = ABCD (Montgomery, example 8.2)."""
    y = np.array([8, 9, 34, 52, 16, 22, 45, 60, 6, 10, 30, 50, 15, 21, 44, 63], dtype=float)
    design = standard_design(FULL, [2] * 4)
    assert design[:3].tolist() == [[-1, -1, -1, -1], [1, -1, -1, -1], [-1, 1, -1, -1]]
    columns = np.column_stack([design, design.prod(axis=1), design[:, 0] * design[:, 1]])
    effects = columns.T @ y / 8
    assert effects.tolist() == [11.125, 33.875, 10.875, -0.875, 0.625, 6.875]


def test_space_filling_points_lie_one_to_a_slice_and_are_the_same_again():
    design = standard_design(FILLING, [2] * 3, points=12, seed=4)
    slices = np.floor((design + 1) / 2 * 12).astype(int)
    for column in slices.T:
        assert sorted(column) == list(range(12))
    assert (design == standard_design(FILLING, [2] * 3, points=12, seed=4)).all()


def test_too_few_factors_are_refused():
    with pytest.raises(ValueError, match="box_behnken takes 3 to 12 factors, not 2"):
        standard_design(EDGES, [3, 3])
