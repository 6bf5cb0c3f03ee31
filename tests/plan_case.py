"""A small plan and a reader of its pages, for the tests of run sheets and overview."""

import re
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd

ROOT = Path(__file__).resolve().parents[1]
STYLE = (ROOT / "workflow/templates/plan_pages.css").read_text(encoding="utf-8")
KILN = {
    "crucibles": 4,
    "crucible_volume_mL": 250,
    "max_temperature_C": 1000,
    "ramp_C_per_min": 2,
    "cooling_h": 8,
    "power_kW": 3,
}
PLAN = {
    "feedstocks": "all",
    "peak_temperature_C": 620,
    "hold_min": 60,
    "activation": ["none", "KOH"],
    "koh_ratio": 3,
    "activation_temperature_C": 700,
    "activation_hold_min": 45,
    "replicates": 1,
    "firings": None,
    "reference": "husk",
    "reference_every": 1,
    "wanted_carbon_g": 1.0,
    "short_chance_percent": 10,
    "expected_char_yield_d_percent": 28,
    "char_yield_spread_percent": 20,
    "expected_activation_yield_percent": 20,
    "activation_yield_spread_percent": 25,
    "max_koh_g": 40,
}
FEEDS = pd.DataFrame(
    {
        "feedstock": ["husk", "grain", "peel"],
        "name": ["Rice <b>husk</b>", "Grain & bran", "Peel"],
        "moisture_ar_percent": [10.0, 20.0, 30.0],
        "nitrogen_d_percent": [0.5, 3.8, None],
    }
)
VOID = {"meta", "br", "col", "link", "img", "hr", "input"}


class Page(HTMLParser):
    """Checks that tags nest; keeps the text."""

    def __init__(self, html):
        super().__init__()
        self.open, self.words, self.cells = [], [], {}
        self.feed(html)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.cells[tag] = self.cells.get(tag, 0) + 1
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.words))
