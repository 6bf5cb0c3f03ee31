"""Small plans for the tests of a plan's quality."""

import numpy as np
import pandas as pd

NONE, KOH = "none", "KOH"


def design_of(rows: list[dict]) -> pd.DataFrame:
    """Rows as a design table; what is not given is usual."""
    usual = {
        "role": "screen",
        "feedstock": "husk",
        "peak_temperature_C": 700.0,
        "hold_min": 60.0,
        "ramp_C_per_min": 2.0,
        "parent": None,
        "activation": NONE,
        "koh_ratio": np.nan,
        "activation_firing": None,
        "activation_temperature_C": np.nan,
        "activation_hold_min": np.nan,
    }
    table = pd.DataFrame([usual | row for row in rows])
    table.insert(0, "run", [f"R{i:03d}" for i in range(len(table))])
    return table
