"""Tail probability of the studentised range, for many pairs at once."""

import numpy as np

Z_NODES = np.linspace(-8.5, 8.5, 86)
S_NODES = 161
S_STEP = 0.06  # largest step in log s; few degrees of freedom reach over a wide range


def studentised_range_tail(q: np.ndarray, groups: int, df: np.ndarray) -> np.ndarray:
    """Probability that the studentised range of `groups` means exceeds q.

    Parameters
    ----------
    q : (m,) array
        Range over standard error of one mean: sqrt(2) |t| for a pair.
    groups : int
        Number of means, at least 2.
    df : (m,) array
        Degrees of freedom, positive, not necessarily whole; infinity allowed.

    Returns
    -------
    (m,) array

    Notes
    -----
    1 - integral of f(s) W(q s) ds with s the root of chi^2 / df and
    W(w) = k integral of phi(z) (Phi(z) - Phi(z - w))^(k-1) dz. Both integrals by the trapezoidal
    rule, the outer one over log s: the integrands die off smoothly at both ends, so the error is
    far below 1e-8.
    """
    from scipy.special import ndtr

    q = np.asarray(q, dtype=float)
    df = np.minimum(np.broadcast_to(np.asarray(df, dtype=float), q.shape), 1e6)
    weight_z = groups * np.exp(-0.5 * Z_NODES**2) / np.sqrt(2.0 * np.pi)
    weight_z *= Z_NODES[1] - Z_NODES[0]
    upper = ndtr(Z_NODES)
    out = np.empty(len(q))
    for i in range(len(q)):
        log_s, weight_s = _nodes(df[i])
        width = q[i] * np.exp(log_s)
        inner = (upper - ndtr(Z_NODES - width[:, None])) ** (groups - 1) @ weight_z
        out[i] = weight_s @ (1.0 - inner)
    return np.clip(out, 0.0, 1.0)


def _nodes(df: float) -> tuple[np.ndarray, np.ndarray]:
    """Nodes of log s and their probabilities: log density df (l - exp(2 l) / 2), top at 0."""
    reach = 36.0  # in log density below the top
    low = -max(6.5 * np.sqrt(2.0 / df), 0.5 + reach / df) if df < 100 else -9.3 / np.sqrt(2 * df)
    high = min(9.3 / np.sqrt(2.0 * df), 0.5 * np.log(2.0 * reach / df + 4.0) + 0.6)
    nodes = np.linspace(low, high, max(S_NODES, int((high - low) / S_STEP)))
    density = np.exp(df * (nodes - 0.5 * np.exp(2.0 * nodes) + 0.5))
    return nodes, density / density.sum()
