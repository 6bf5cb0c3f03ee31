"""Invented cells for the tests of the mixed models."""

import numpy as np
import pandas as pd


def screen(seed: int = 1, firings: int = 8, crucibles: int = 4, cells: int = 2) -> pd.DataFrame:
    """Invented cells: lots in firings, every third lot activated in one of three firings."""
    rng = np.random.default_rng(seed)
    feed_effect = dict(zip("abcd", rng.normal(0, 0.4, 4), strict=True))
    slope = dict(zip("abcd", rng.normal(0, 0.2, 4), strict=True))
    rows = []
    activation = rng.normal(0, 0.3, 3)
    for i in range(firings):
        firing = rng.normal(0, 0.3)
        temperature = 600.0 + 50.0 * (i % 4)
        for j in range(crucibles):
            lot = rng.normal(0, 0.2)
            feed = "abcd"[(i + j + i // 4) % 4]
            again = int(rng.integers(3)) if j % 3 == 0 else None
            for _ in range(cells):
                y = 2.0 + feed_effect[feed] + slope[feed] * (temperature - 675) / 60 + firing + lot
                y += 0.0 if again is None else 1.0 + activation[again]
                rows.append(
                    {
                        "y": y + rng.normal(0, 0.15),
                        "feed": feed,
                        "firing": f"C{i}",
                        "lot": f"C{i}L{j}",
                        "crucible": j,
                        "T": temperature,
                        "activation": "none" if again is None else "KOH",
                        "second": None if again is None else f"A{again}",
                        "weight": rng.uniform(0.5, 2.0),
                    }
                )
    return pd.DataFrame(rows)
