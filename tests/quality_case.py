"""Small plans for the tests of a plan's quality."""

import numpy as np
import pandas as pd
from charscreen.quality.judge import Quality, judge_plan
from charscreen.screen.schemas import config_schema

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


KILN = {
    "crucibles": 4,
    "crucible_volume_mL": 250,
    "max_temperature_C": 1000,
    "ramp_C_per_min": 2,
    "cooling_h": 8,
    "power_kW": 3,
}
FEEDS = [
    {"feedstock": name, "name": f"Waste {name}", "moisture_ar_percent": 10.0, "price_per_kg": 2.0}
    for name in ("husk", "peel", "stone", "straw", "bran", "cob")
]


def dealt(
    firings: int = 6,
    *,
    crucibles: int = 4,
    temperatures: tuple[float, ...] = (600.0, 800.0),
    feeds: tuple[str, ...] = ("husk", "peel", "stone", "straw", "bran", "cob"),
    activated: bool = False,
    seed: int = 3,
) -> pd.DataFrame:
    """A design with feedstocks dealt round the firings; every second lot activated where asked."""
    rng = np.random.default_rng(seed)
    queue: list[str] = []
    rows = []
    for k in range(firings):
        for crucible in range(crucibles):
            queue = queue or list(rng.permutation(feeds))
            row = {
                "feedstock": str(queue.pop()),
                "firing": f"F{k + 1:02d}",
                "crucible": str(crucible + 1),
                "peak_temperature_C": temperatures[k % len(temperatures)],
            }
            if activated and (k + crucible) % 2:
                row |= {
                    "activation": KOH,
                    "koh_ratio": 3.0,
                    "activation_firing": f"A{(k + crucible) // 2 % 3 + 1:02d}",
                    "activation_temperature_C": 700.0,
                    "activation_hold_min": 60.0,
                }
            rows.append(row)
    return design_of(rows)


def lots_table(design: pd.DataFrame) -> pd.DataFrame:
    """Feed of a design: 20 g each, 5 g of char, three times as much KOH where activated."""
    activated = (design["activation"] == KOH).to_numpy()
    return design[["run", "feedstock", "firing"]].assign(
        feed_ar_g=20.0,
        expected_char_g=5.0,
        koh_g=np.where(activated, 15.0, np.nan),
    )


def judged(design: pd.DataFrame | None = None, *, plan: dict | None = None, **more) -> Quality:
    """Quality of a design; `plan` and `more` replace what `judge_plan` is given."""
    design = dealt() if design is None else design
    given = {
        "feedstocks": FEEDS,
        "plan": _defaults(config_schema()["properties"]["plan"]) | (plan or {}),
        "kiln": KILN,
        "prices": {},
        "costs": {"firing": 240.0, "lot": 30.0, "cell": 30.0},
        "merits": ["electrode_F_per_g"],
        "priors": {},
        "seed": 3,
    }
    return judge_plan(design, lots_table(design), **(given | more))


def _defaults(schema: dict) -> dict:
    """Default of every key of a group, groups within filled in too."""
    return {
        key: _defaults(inner) if inner.get("type") == "object" else inner.get("default")
        for key, inner in schema["properties"].items()
    }
