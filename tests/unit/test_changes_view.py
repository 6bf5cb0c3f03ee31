"""What changed since a kept ranking, in words."""

import numpy as np
from charscreen.rank.changes import Changes, Difference, MeritChange
from charscreen.report.changes_view import changes_section

MERIT = "electrode_F_per_g"


def change(before, now, width=None):
    row = {"feedstock": "husk", "activation": "none", "koh_ratio": np.nan, "hold_min": 60.0,
           "peak_temperature_C": 700.0, "estimate": 100.0, "estimate_lo": 90.0,
           "estimate_hi": 110.0, "p_best": 0.4, "n_group": 3}  # fmt: skip
    before, now = ({**row, "candidate": "husk_700C_60min", **part} for part in (before, now))
    moved = [
        {"before": before, "now": None, "place_before": 1, "place_now": None},
        {"before": None, "now": now, "place_before": None, "place_now": 1},
    ]
    return MeritChange(MERIT, "F/g", before, now, moved, width)


def texts(section):
    out = []
    for block in section.blocks:
        out += list(getattr(block, "items", None) or [getattr(block, "text", "")])
    return [text for text in out if text]


def changes(merits, **more):
    nothing = {kind: Difference() for kind in ("firings", "lots", "cells")}
    given = {"gained": [], "lost": [], "settings": False, "touched": {}} | more
    return Changes("2026-03-02", nothing | given.pop("measurements", {}), merits, **given)


def test_a_choice_that_stays_is_said_with_its_chances():
    said = texts(
        changes_section(
            changes([change({"p_best": 0.4}, {"p_best": 0.62})]), [MERIT], {"husk": "Oat husk"}
        )
    )
    assert said[0].startswith("By electrode capacitance the choice is still Oat husk, 700 °C")
    assert said[0].endswith("40 % then, 62 % now.")
    assert said[1] == "3 then and 3 now are not told apart from the best (itself counted)."
    assert said[-1] == "No measurement differs, nor do the settings: the way of reckoning changed."


def test_certainty_and_measurements_that_changed():
    one = change({"expected_loss": 9.4}, {"expected_loss": 3.2}, 0.75)
    measured = {
        "cells": Difference(changed={"C1": [("electrode_F_per_g", 101.0, None)]}, gone=["C9"]),
        "lots": Difference(new=["R7"], changed={"R1": [("feedstock", "husk", "peel")]}),
    }
    section = changes_section(
        changes([one], measurements=measured, settings=True, gained=["esr_area_ohm_cm2"],
                lost=["device_F_per_kg_d"]),
        [MERIT], None,
    )  # fmt: skip
    said = " ".join(texts(section))
    assert "The loss to expect from the choice went from 9.4 to 3.2 F/g" in said
    assert "intervals are typically 25 % narrower" in said
    assert "Changed: 1 cell (C1 electrode capacitance 101.0 → none F/g)." in said
    assert "Gone: 1 cell (C9)." in said
    assert "New: 1 lot (R7)." in said
    assert "feedstock husk → peel" in said
    assert "Settings differ" in said
    assert "Ranked now and not then:" in said
    assert "Ranked then and no longer: device farads per kg dry feed." in said


def test_a_ranking_that_is_as_it_was():
    said = texts(changes_section(changes([], settings=True), [MERIT], None))
    assert said[0] == "The ranking itself is as it was."
