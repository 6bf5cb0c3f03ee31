"""A small screen without a fault, to be spoilt by tests. Its numbers are invented."""

from pathlib import Path

CONFIG = """\
title: Two wastes
kiln: {crucibles: 3, crucible_volume_mL: 250, max_temperature_C: 1000}
balances:
  bench: {readability_g: 0.01}
  fine: {readability_g: 0.0001}
column_maps:
  plain:
    time: {column: time_s}
    voltage: {column: voltage_V}
    current: {column: current_A}
  voltage_only:
    time: {column: time_s}
    voltage: {column: voltage_V}
"""
TABLES = {
    "feedstocks": """\
feedstock,name,moisture_ar_percent,ash_d_percent,nitrogen_d_percent,may_activate
husk,Oat husk,10,4,0.6,yes
peel,Fruit peel,80,6,1.2,
""",
    "design": """\
run,role,feedstock,firing,crucible,peak_temperature_C,hold_min,parent,activation,koh_ratio,activation_firing,activation_temperature_C,activation_hold_min
R01,reference,husk,F01,1,600,60,,none,,,,
R02,screen,peel,F01,2,600,60,,none,,,,
R03,screen,husk,F02,1,700,60,,none,,,,
R03a,screen,husk,F02,1,700,60,R03,KOH,3,A01,750,60
""",
    "firings": """\
firing,kind,date,peak_temperature_C,hold_min
F01,carbonise,2026-03-02,604,60
F02,carbonise,2026-03-04,702,61
A01,activate,2026-03-06,750,60
""",
    "firing_readings": """\
firing,time_min,temperature_C
F01,0,20
F01,300,604
""",
    "masses": """\
run,feed_ar_g,feed_dry_g,moisture_ar_percent,char_g,char_ash_d_percent,char_taken_g,koh_g,activated_g,balance
R01,50,45.1,,14.2,12,,,,bench
R02,120,,79,7.4,,,,,
R03,50,45,,12.9,,,,,
R03a,,,,,,5,15.1,1.4,bench
""",
    "cells": """\
cell,run,electrode_1_mg,electrode_2_mg,binder_percent,additive_percent,area_cm2,electrolyte,upper_voltage_V,assembled
C01,R01,6.2,6.1,10,10,1.13,6 mol/L KOH,0.9,2026-03-10
C02,R02,5.9,6.4,10,10,1.13,6 mol/L KOH,0.9,2026-03-10
C03,R03a,6.0,6.0,10,10,1.13,6 mol/L KOH,0.9,2026-03-11
""",
    "tests": """\
test,cell,method,trace,trace_map,current_mA,load_ohm,capacitance_F,capacitance_F_se,date
T01,C01,constant_current,T01.csv,plain,,,,,2026-03-12
T02,C02,through_resistor,,,,1000,,,2026-03-12
T03,C03,direct,,,,,0.31,0.01,2026-03-13
""",
    "readings": """\
test,time_s,voltage_V
T02,0,0.9
T02,60,0.71
T02,120,0.56
""",
}


def write_screen(folder: Path, *, config: str = CONFIG, **tables: str | bytes | None) -> Path:
    """The small screen in a folder, with some of its tables replaced.

    Parameters
    ----------
    folder : Path
        Where.
    config : str
        Text of config.yaml.
    tables : str, bytes or None
        Text of a table in place of the good one; None leaves its file away.
    """
    traces = folder / "config" / "traces"
    traces.mkdir(parents=True, exist_ok=True)
    (traces / "T01.csv").write_text("time_s,voltage_V,current_A\n0,0,0.01\n", encoding="utf-8")
    (folder / "config" / "config.yaml").write_text(config, encoding="utf-8")
    for name, text in (TABLES | tables).items():
        if text is None:
            continue
        data = text if isinstance(text, bytes) else text.encode("utf-8")
        (folder / "config" / f"{name}.csv").write_bytes(data)
    return folder


def spoil(table: str, old: str, new: str) -> dict[str, str]:
    """One table with a piece of its text replaced; the piece must occur once."""
    text = TABLES[table]
    assert text.count(old) == 1, f"{old!r} occurs {text.count(old)} times in {table}"
    return {table: text.replace(old, new)}
