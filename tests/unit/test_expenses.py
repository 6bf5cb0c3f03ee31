"""What a plan counts as nothing because its price is not given."""

import numpy as np
import pandas as pd
from charscreen.quality.expenses import _unpriced


def lots_of(*feeds, grams=50.0):
    return pd.DataFrame({"feedstock": feeds, "feed_ar_g": grams})


PRICED = {"firing": 10.0, "electricity_per_kWh": 0.3, "kWh": 0.3, "koh_per_kg": 20.0,
          "acid_per_L": 5.0, "acid_mL_per_g_char": 30.0}  # fmt: skip


def test_what_has_no_price_is_named():
    lots = lots_of("husk", "peel")
    priced = {"husk": 1.0, "peel": 2.0}
    base = _unpriced(lots, priced, PRICED, work=0.0, activated=True)
    more = _unpriced(lots, priced, PRICED | {"labour_per_h": 40.0}, work=0.0, activated=True)
    assert "labour (no hours given)" in more
    assert "labour (no hours given)" not in base
    some = _unpriced(lots, {"husk": 1.0}, PRICED, work=0.0, activated=True)
    assert [words for words in some if words not in base] == ["feed of peel"]
    every = _unpriced(lots, {}, PRICED, work=0.0, activated=True)
    assert [words for words in every if words not in base] == ["feed"]
    unknown = _unpriced(lots_of("husk", grams=np.nan), priced, PRICED, work=0.0, activated=True)
    assert unknown[-1] == "feed of unknown moisture"
    dry = PRICED | {"acid_mL_per_g_char": None}
    assert "acid" in _unpriced(lots, priced, dry, work=0.0, activated=True)
    assert "acid" not in _unpriced(lots, priced, dry, work=0.0, activated=False)
