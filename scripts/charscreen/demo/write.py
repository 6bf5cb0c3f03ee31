"""Writes the demo screen: tables, settings, traces and the known truth."""

import csv
import io
import json
import re
from pathlib import Path

import yaml

from charscreen.demo.bench import run_bench
from charscreen.demo.feedstocks import FEEDSTOCKS
from charscreen.demo.kiln import clock, hand_readings, log_of, make_logs
from charscreen.demo.scenario import (
    ACTIVATION_HOLD_MIN,
    ACTIVATION_TEMPERATURE_C,
    KOH_RATIO,
    RAMP_C_PER_MIN,
    Firing,
    Lot,
    make_scenario,
)
from charscreen.demo.settings import settings_text
from charscreen.demo.truth import describe_truth, make_truth
from charscreen.demo.weighing import describe_chain, make_chains, weigh_lots

COLUMNS = {
    "feedstocks": (
        *("feedstock", "name", "moisture_ar_percent", "ash_d_percent", "volatile_d_percent"),
        *("nitrogen_d_percent", "lignin_d_percent", "bulk_density_g_per_L", "price_per_kg"),
        *("stock_kg", "expected_char_yield_d_percent", "may_activate", "note"),
    ),
    "design": (
        *("run", "role", "feedstock", "firing", "crucible", "peak_temperature_C", "hold_min"),
        *("ramp_C_per_min", "parent", "activation", "koh_ratio", "activation_firing"),
        *("activation_temperature_C", "activation_hold_min", "feed_ar_g", "order"),
        *("exclude_reason", "note"),
    ),
    "firings": (
        *("firing", "kind", "date", "peak_temperature_C", "hold_min", "ramp_C_per_min", "log"),
        *("log_map", "note"),
    ),
    "firing_readings": ("firing", "time_min", "temperature_C"),
    "masses": (
        *("run", "feed_ar_g", "feed_dry_g", "moisture_ar_percent", "char_g", "char_gross_g"),
        *("char_tare_g", "char_ash_d_percent", "char_volatile_d_percent", "char_taken_g", "koh_g"),
        *("activated_g", "note"),
    ),
    "cells": (
        *("cell", "run", "electrode_1_mg", "electrode_2_mg", "electrode_1_gross_mg"),
        *("electrode_1_collector_mg", "electrode_2_gross_mg", "electrode_2_collector_mg"),
        *("binder_percent", "additive_percent", "area_cm2", "electrolyte", "upper_voltage_V"),
        *("assembled", "accepted", "note"),
    ),
    "tests": (
        *("test", "cell", "method", "trace", "trace_map", "current_mA", "load_ohm"),
        *("load_tolerance_percent", "meter_ohm", "capacitance_F", "capacitance_F_se", "esr_ohm"),
        *("temperature_C", "date", "note"),
    ),
    "readings": ("test", "time_s", "voltage_V"),
}
TRACE_NAME = re.compile(r"T\d{3}\.(csv|txt|csv\.gz)|[FA]\d\d_kiln\.csv")


class NotTheDemo(Exception):
    """The folder holds something that this script did not write."""


def make_files(seed: int) -> tuple[dict[str, bytes], dict]:
    """Content of every file of the demo's config folder, and the known truth.

    Parameters
    ----------
    seed : int
        The same seed gives the same bytes.

    Returns
    -------
    dict of str to bytes
        By path below the config folder.
    dict
        The truth, as plain data.
    """
    scenario, truth = make_scenario(seed), make_truth(seed)
    bench, chains = run_bench(scenario, truth), make_chains(scenario, truth)
    tables = {
        "feedstocks": [_feedstock_row(item) for item in FEEDSTOCKS],
        "design": [_design_row(lot) for lot in scenario.lots],
        "firings": [_firing_row(firing, seed) for firing in scenario.firings],
        "firing_readings": hand_readings(scenario),
        "masses": weigh_lots(scenario, chains),
        "cells": bench.cells,
        "tests": bench.tests,
        "readings": bench.readings,
    }
    files = {f"{name}.csv": _csv(rows, COLUMNS[name]) for name, rows in tables.items()}
    files["config.yaml"] = settings_text(seed).encode("utf-8")
    traces = bench.traces | make_logs(scenario)
    files |= {f"traces/{name}": data for name, data in traces.items()}
    known = describe_truth(truth, scenario)
    known["lots"] = {run: describe_chain(chain) for run, chain in chains.items()}
    known["cells"] = bench.true_cells
    return files, known


def write_demo(*, seed: int, folder: Path, truth_file: Path) -> int:
    """Write the demo screen into a folder; config/README.md there stays as it is.

    Parameters
    ----------
    seed : int
        Seed of all invented numbers.
    folder : Path
        The screen; its `config` folder is written.
    truth_file : Path
        Where the known truth goes, as JSON.

    Returns
    -------
    int
        Number of files written.

    Raises
    ------
    NotTheDemo
        Where `config` holds data that are not marked as invented.
    """
    config = folder / "config"
    _refuse_real_data(config)
    files, truth = make_files(seed)
    traces = config / "traces"
    traces.mkdir(parents=True, exist_ok=True)
    for old in sorted(traces.iterdir()):
        if TRACE_NAME.fullmatch(old.name) and f"traces/{old.name}" not in files:
            old.unlink()
    for name, data in files.items():
        (config / name).write_bytes(data)
    truth_file.parent.mkdir(parents=True, exist_ok=True)
    truth_file.write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return len(files) + 1


def _refuse_real_data(config: Path) -> None:
    """Raise unless the folder is empty or marked as invented."""
    settings = config / "config.yaml"
    if settings.exists():
        try:
            content = yaml.safe_load(settings.read_text(encoding="utf-8"))
        except (yaml.YAMLError, UnicodeDecodeError):
            content = None
        if not isinstance(content, dict) or content.get("data_are_invented") is not True:
            raise NotTheDemo(
                f"{settings} does not say 'data_are_invented: true', so the tables beside it may "
                "be real measurements and nothing was written. Name an empty folder with --folder."
            )
        return
    present = [f"{name}.csv" for name in COLUMNS if (config / f"{name}.csv").exists()]
    if present:
        raise NotTheDemo(
            f"{config} holds {', '.join(present)} but no config.yaml that marks them as invented, "
            "so nothing was written. Name an empty folder with --folder."
        )


def _csv(rows: list[dict], columns: tuple[str, ...]) -> bytes:
    stream_out = io.StringIO()
    writer = csv.DictWriter(stream_out, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return stream_out.getvalue().encode("utf-8")


def _feedstock_row(item) -> dict:
    row = {}
    for name in COLUMNS["feedstocks"]:
        value = getattr(item, name)
        row[name] = "" if value is None else f"{value:g}" if isinstance(value, float) else value
    return row


def _design_row(lot: Lot) -> dict:
    row = {
        "run": lot.run,
        "role": lot.role,
        "feedstock": lot.feedstock,
        "firing": lot.firing.firing,
        "crucible": "" if lot.crucible is None else lot.crucible,
        "peak_temperature_C": lot.firing.planned_C,
        "hold_min": lot.firing.planned_hold_min,
        "ramp_C_per_min": RAMP_C_PER_MIN,
        "parent": lot.parent,
        "activation": "KOH" if lot.activated else "none",
        "order": "" if lot.order is None else lot.order,
        "exclude_reason": lot.exclude_reason,
        "note": lot.note,
    }
    if not lot.parent:
        item = next(item for item in FEEDSTOCKS if item.feedstock == lot.feedstock)
        row["feed_ar_g"] = f"{item.feed_ar_g:g}"
    if lot.activation_firing is not None:
        row |= {
            "koh_ratio": KOH_RATIO,
            "activation_firing": lot.activation_firing.firing,
            "activation_temperature_C": ACTIVATION_TEMPERATURE_C,
            "activation_hold_min": ACTIVATION_HOLD_MIN,
        }
    return row


def _firing_row(firing: Firing, seed: int) -> dict:
    hold, ramp = clock(firing, seed)
    log, log_map = log_of(firing) or ("", "")
    return {
        "firing": firing.firing,
        "kind": firing.kind,
        "date": firing.day.isoformat(),
        "peak_temperature_C": firing.done_C,
        "hold_min": hold,
        "ramp_C_per_min": f"{ramp:.2f}",
        "log": log,
        "log_map": log_map,
        "note": firing.note,
    }
