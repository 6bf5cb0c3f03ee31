"""A screen of twelve lots without a fault, made to be spoilt. Its numbers are invented."""

import csv
import io
from pathlib import Path

CONFIG = """\
title: Two wastes, twelve lots
kiln: {crucibles: 4, crucible_volume_mL: 250, max_temperature_C: 1000}
balances:
  bench: {readability_g: 0.01}
  fine: {readability_g: 0.0001}
column_maps:
  plain:
    time: {column: time_s}
    voltage: {column: voltage_V}
    current: {column: current_A}
"""
Tables = dict[str, list[dict[str, str]]]
FEED = {"husk": ("50.1", "45.2"), "peel": ("120.4", "24.6")}
CHARS = ("14.21", "7.32", "14.45", "7.11", "12.93", "6.84", "13.12", "6.97")
ACTIVATED = ("1.31", "1.22", "1.27", "1.19")
ELECTRODES = (
    *(("6.21", "6.12"), ("5.93", "6.42"), ("6.04", "6.05"), ("6.33", "6.18")),
    *(("6.51", "6.47"), ("6.11", "6.30"), ("5.87", "5.95"), ("6.25", "6.19")),
)


def clean_tables() -> Tables:
    """All tables as rows of text; made anew at each call, so that a test may change them."""
    husk = {"feedstock": "husk", "name": "Oat husk", "moisture_ar_percent": "10"}
    peel = {"feedstock": "peel", "name": "Fruit peel", "moisture_ar_percent": "80"}
    tables: Tables = {
        "feedstocks": [
            husk | {"ash_d_percent": "4", "volatile_d_percent": "74", "nitrogen_d_percent": "0.6"},
            peel | {"ash_d_percent": "6", "volatile_d_percent": "71", "nitrogen_d_percent": "1.2"},
        ],
        "design": [],
        "masses": [],
        "cells": [],
        "tests": [],
    }
    for n, char in enumerate(CHARS, start=1):
        feed = "husk" if n % 2 else "peel"
        firing, peak = ("F1", "600") if n <= 4 else ("F2", "700")
        wet, dry = FEED[feed]
        lot = {"run": f"R{n}", "role": "screen", "feedstock": feed, "firing": firing}
        lot |= {"crucible": str((n - 1) % 4 + 1), "peak_temperature_C": peak, "hold_min": "60"}
        tables["design"].append(lot | {"parent": "", "activation": "none"})
        masses = {"feed_ar_g": f"{float(wet) + n / 10:.2f}", "char_g": char}
        masses |= {"feed_dry_g": f"{float(dry) + n / 10:.2f}", "char_ash_d_percent": "11"}
        tables["masses"].append({"run": f"R{n}"} | masses)
    for n, carbon in enumerate(ACTIVATED, start=5):
        lot = tables["design"][n - 1] | {"run": f"R{n}a", "parent": f"R{n}", "activation": "KOH"}
        lot |= {"koh_ratio": "3", "activation_firing": "A1", "activation_temperature_C": "700"}
        tables["design"].append(lot | {"activation_hold_min": "60"})
        masses = {"char_taken_g": f"5.0{n}", "koh_g": f"15.1{n}", "activated_g": carbon}
        tables["masses"].append({"run": f"R{n}a"} | masses)
    tables["firings"] = [
        {"firing": "F1", "kind": "carbonise", "date": "2026-03-02", "peak_temperature_C": "604"},
        {"firing": "F2", "kind": "carbonise", "date": "2026-03-04", "peak_temperature_C": "702"},
        {"firing": "A1", "kind": "activate", "date": "2026-03-06", "peak_temperature_C": "698"},
    ]
    for firing in tables["firings"]:
        firing["hold_min"] = "61"
    runs = ("R1", "R2", "R3", "R4", "R5a", "R6a", "R7a", "R8a")
    for n, (run, (first, second)) in enumerate(zip(runs, ELECTRODES, strict=True), start=1):
        cell = {"cell": f"C{n}", "run": run, "electrode_1_mg": first, "electrode_2_mg": second}
        cell |= {"binder_percent": "10", "additive_percent": "10", "area_cm2": "1.13"}
        cell |= {"electrolyte": "6 mol/L KOH", "upper_voltage_V": "0.9"}
        tables["cells"].append(cell | {"assembled": "2026-03-10"})
        test = {"test": f"T{n}", "cell": f"C{n}", "date": "2026-03-12"}
        if n <= 4:
            test |= {"method": "constant_current", "trace": f"T{n}.csv", "trace_map": "plain"}
        elif n <= 6:
            test |= {"method": "through_resistor", "load_ohm": "470", "meter_ohm": "10000000"}
        else:
            test |= {"method": "direct", "capacitance_F": "0.31", "capacitance_F_se": "0.01"}
        tables["tests"].append(test)
    # 0.3 F through 470 Ω.
    tables["readings"] = [
        {"test": f"T{n}", "time_s": str(time), "voltage_V": voltage}
        for n in (5, 6)
        for time, voltage in ((0, "0.893"), (30, "0.722"), (60, "0.583"), (90, "0.472"))
    ]
    return tables


def as_csv(rows: list[dict[str, str]]) -> str:
    """Rows as the text of a CSV file, their columns in the order of first sight."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    out = io.StringIO()
    writer = csv.DictWriter(out, names, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def write_clean_screen(folder: Path, tables: Tables, *, config: str = CONFIG) -> Path:
    """A screen of these tables in a folder."""
    traces = folder / "config" / "traces"
    traces.mkdir(parents=True, exist_ok=True)
    for n in range(1, 5):
        (traces / f"T{n}.csv").write_text("time_s,voltage_V,current_A\n0,0,0.01\n")
    (folder / "config" / "config.yaml").write_text(config, encoding="utf-8")
    for name, rows in tables.items():
        (folder / "config" / f"{name}.csv").write_text(as_csv(rows), encoding="utf-8")
    return folder
