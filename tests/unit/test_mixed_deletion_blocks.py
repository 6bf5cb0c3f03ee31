"""Deletions worked out in clusters of rows: the same figures however the rows are cut."""

import numpy as np
import pandas as pd
import pytest
from charscreen.mixed import deletion, fit_mixed

RANDOM = ["firing", "lot", "feed"]


@pytest.fixture(scope="module")
def fitted():
    """A fit of 240 invented cells: lots in firings, feedstocks across both."""
    rng = np.random.default_rng(0)
    n = 240
    firing, lot = np.arange(n) // 12, np.arange(n) // 2
    feed = rng.integers(0, 8, 120)[lot]
    x = rng.normal(size=n)
    y = x + rng.normal(size=20)[firing] + rng.normal(size=120)[lot] + rng.normal(size=8)[feed]
    data = pd.DataFrame({"y": y + rng.normal(size=n), "x": x})
    for name, codes in zip(RANDOM, (firing, lot, feed), strict=True):
        data[name] = [f"{name}{code}" for code in codes]
    return fit_mixed("y ~ x", data, random=RANDOM)


@pytest.mark.parametrize(("most", "across"), [(50, 8), (1, 148)])
def test_small_clusters_give_what_one_block_gives(fitted, monkeypatch, most, across):
    whole = deletion.Deletion(fitted)
    assert whole._across.shape[0] == 0
    monkeypatch.setattr(deletion, "CLUSTER_MOST", most)
    cut = deletion.Deletion(fitted)
    assert cut._across.shape[0] == across  # levels of the terms that would join the clusters
    np.testing.assert_allclose(cut.leverage, whole.leverage, atol=1e-12)
    np.testing.assert_allclose(cut.standardised(), whole.standardised(), atol=1e-10)
    for k in range(3):
        np.testing.assert_allclose(
            cut.standardised_effects(k), whole.standardised_effects(k), atol=1e-10
        )
    for rows in (np.arange(12), np.arange(5, 30)):
        for mine, theirs in zip(cut.leave_out(rows), whole.leave_out(rows), strict=True):
            np.testing.assert_allclose(mine, theirs, atol=1e-10)
    y = fitted._fixed.y
    assert cut.residual_squares(y) == pytest.approx(whole.residual_squares(y), rel=1e-10)
