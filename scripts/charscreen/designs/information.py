"""What a design tells of its model where firings are random."""

from collections.abc import Sequence

import numpy as np


def codes_of(labels: Sequence) -> np.ndarray:
    """Labels as whole numbers from 0 in order of appearance; -1 for an empty one.

    Parameters
    ----------
    labels : sequence
        For example the activation firing of each lot; None or NaN where there is none.
    """
    seen: dict = {}
    return np.array(
        [
            -1 if label is None or label != label else seen.setdefault(label, len(seen))
            for label in labels
        ],
        dtype=int,
    )


def indicators(codes: np.ndarray) -> np.ndarray:
    """(n, n_levels) array of 0 and 1; a row of zeros for code -1."""
    codes = np.asarray(codes, dtype=int)
    out = np.zeros((codes.size, int(codes.max(initial=-1)) + 1))
    has = codes >= 0
    out[np.flatnonzero(has), codes[has]] = 1.0
    return out


def information(
    X: np.ndarray,
    firing_codes: np.ndarray,
    activation_codes: np.ndarray | None = None,
    ratios: float | tuple[float, float] = 1.0,
) -> np.ndarray:
    """Information matrix of the fixed effects, in units of one over the variance of a lot.

    Parameters
    ----------
    X : (n, p) array
        Model matrix.
    firing_codes : (n,) int array
        Char firing of each lot, from 0.
    activation_codes : (n,) int array, optional
        Activation firing of each lot; -1 where it has none, which adds nothing to its variance.
    ratios : float or (float, float)
        Variance between char firings, and between activation firings, over that of lots (with
        what its cells add). One number stands for both. 0 leaves a level out.

    Returns
    -------
    (p, p) array
        X' V⁻¹ X; its inverse times the variance of a lot is the covariance of the estimates.

    Notes
    -----
    V = I + Z D Z'. With the levels on the side, V⁻¹ = I - Z (D⁻¹ + Z'Z)⁻¹ Z' (Woodbury), so only
    a matrix as large as the number of firings is inverted.
    """
    X = np.asarray(X, float)
    pair = (float(ratios), float(ratios)) if np.isscalar(ratios) else tuple(map(float, ratios))
    parts = [
        (indicators(codes), ratio)
        for codes, ratio in zip((firing_codes, activation_codes), pair, strict=True)
        if codes is not None and ratio > 0
    ]
    parts = [(Z, ratio) for Z, ratio in parts if Z.shape[1]]
    if not parts:
        return X.T @ X
    Z = np.hstack([Z for Z, _ in parts])
    inverse_ratio = np.concatenate([np.full(Z.shape[1], 1.0 / ratio) for Z, ratio in parts])
    crossed = Z.T @ X
    return X.T @ X - crossed.T @ np.linalg.solve(Z.T @ Z + np.diag(inverse_ratio), crossed)
