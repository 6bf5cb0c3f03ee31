"""The report as a browser shows it: on a desk, on a phone, in the dark, on paper, without scripts.

Skipped where Chromium is absent (Debian package chromium). The rules of axe-core are run where
npm can fetch it; the checks of this file do not need it.
"""

import shutil
import subprocess

import pytest
from chromium import CHROMIUM, NO_CHROMIUM, Browser

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason=NO_CHROMIUM)
PAGES = ("report.html", "plan/overview.html", "plan/quality.html", "next/run_sheet.html")
VIEWS = {
    "desk": {},
    "phone": {"width": 360, "height": 740},
    "dark phone": {"width": 360, "height": 740, "dark": True},
    "paper": {"width": 794, "height": 1123, "paper": True},
    "no scripts": {"scripts": False},
}

# Text that stands out too little from its ground: the ratio of WCAG 2.2, success criterion 1.4.3,
# 4.5 : 1 for plain text and 3 : 1 for large. Numbers of the ratio from that text, from memory.
FAINT = """
(() => {
  const parts = colour => colour.match(/[\\d.]+/g).map(Number);
  const light = rgb => {
    const [r, g, b] = rgb.map(v => v / 255).map(
      v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ground = element => {
    for (let at = element; at; at = at.parentElement) {
      const [r, g, b, a = 1] = parts(getComputedStyle(at).backgroundColor);
      if (a === 1) return [r, g, b];
    }
    return [255, 255, 255];
  };
  const found = new Set();
  let n = 0;
  for (const element of document.querySelectorAll("body *:not(svg):not(svg *):not(script)")) {
    const own = [...element.childNodes].some(
      node => node.nodeType === 3 && node.textContent.trim());
    if (!own || !element.getClientRects().length) continue;
    const style = getComputedStyle(element);
    const one = light(parts(style.color).slice(0, 3)), two = light(ground(element));
    const ratio = (Math.max(one, two) + 0.05) / (Math.min(one, two) + 0.05);
    const size = parseFloat(style.fontSize);
    const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
    n += 1;
    if (ratio < (large ? 3 : 4.5))
      found.add(element.tagName + "." + element.className + " " + ratio.toFixed(2));
  }
  return [n, [...found]];
})()
"""

# What stands out of the window to the right, whatever does not scroll by itself.
TOO_WIDE = """
(() => {
  const width = document.documentElement.clientWidth;
  const within = e => { for (let at = e; at; at = at.parentElement)
    if (["auto", "scroll", "hidden"].includes(getComputedStyle(at).overflowX)) return true;
    return false; };
  const over = [...document.querySelectorAll("body *:not(svg *)")].filter(
    e => e.getBoundingClientRect().right > width + 1 && !within(e));
  return [document.documentElement.scrollWidth - width,
          over.slice(0, 5).map(e => e.tagName + "." + e.className)];
})()
"""

FORM = """
(() => {
  const all = (where) => [...document.querySelectorAll(where)];
  const ids = all("[id]").map(e => e.id);
  const levels = all("h1, h2, h3, h4").map(e => Number(e.tagName[1]));
  const named = e => (e.getAttribute("aria-label") || "").trim() ||
    (e.getAttribute("aria-labelledby") || "").split(" ").map(
      id => (document.getElementById(id) || {textContent: ""}).textContent).join("").trim();
  return {
    lang: document.documentElement.lang,
    titles: document.title.length > 0 && all("h1").length > 0,
    twice: ids.filter((id, k) => ids.indexOf(id) !== k),
    jumps: levels.filter((level, k) => k && level > levels[k - 1] + 1),
    dead: all("a[href^='#']").map(a => a.getAttribute("href")).filter(
      href => !document.getElementById(decodeURIComponent(href.slice(1)))),
    links: all("a[href^='#']").length,
    silent_pictures: all("svg[role=img], img").filter(
      e => !(e.getAttribute("alt") || named(e) || e.querySelector(":scope > title"))).length,
    bare_pictures: all("svg").filter(
      e => e.getAttribute("role") !== "img" && !e.closest("[role=img], [aria-hidden=true]")).length,
    unnamed: all("[role=region], nav, section[aria-labelledby]").filter(e => !named(e)).length,
    no_scope: all("thead th:not([scope])").length,
    unlabelled: all("input, select, textarea").filter(
      e => !e.closest("label") && !named(e)).length,
    stuck: all(".scroll").filter(e => e.tabIndex < 0).length,
    no_main: all("main").length !== 1,
  };
})()
"""


@pytest.fixture(scope="module")
def browser():
    with Browser() as found:
        yield found


@pytest.fixture
def open_page(browser, demo):
    tabs = []

    def show(name: str, **how):
        tabs.append(browser.open(demo.results / name, **how))
        return tabs[-1]

    yield show
    for tab in tabs:
        tab.close()


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_whole_and_asks_for_nothing(open_page, name, view):
    tab = open_page(name, **VIEWS[view])
    assert tab.complaints() == []
    assert tab.run(TOO_WIDE) == [0, []]
    n_texts, faint = tab.run(FAINT)
    assert n_texts > 20
    assert faint == []
    assert len(tab.run("document.body.innerText")) > 500


@pytest.mark.parametrize("name", PAGES)
def test_a_page_can_be_read_aloud_and_walked_through(open_page, name):
    found = open_page(name).run(FORM)
    links = found.pop("links")
    assert found == {
        "lang": "en",
        "titles": True,
        "twice": [],
        "jumps": [],
        "dead": [],
        "silent_pictures": 0,
        "bare_pictures": 0,
        "unnamed": 0,
        "no_scope": 0,
        "unlabelled": 0,
        "stuck": 0,
        "no_main": False,
    }
    assert links > 10 or name != "report.html"


def test_the_first_screen_of_a_laptop_holds_the_answer(open_page):
    tab = open_page("report.html")
    ends = tab.run(
        "[...document.querySelectorAll('h1, .question, #answer .lead, #answer svg')]"
        ".map(e => [e.tagName, e.getBoundingClientRect().bottom])"
    )
    assert [tag for tag, _ in ends] == ["H1", "P", "P", "P", "P", "svg"]
    assert max(bottom for tag, bottom in ends if tag != "svg") < 450
    # The axis label and the legend of the picture may stand below the edge, its rows not.
    picture = tab.run(
        "(r => [r.top, r.height])(document.querySelector('#answer svg').getBoundingClientRect())"
    )
    assert picture[0] + 0.75 * picture[1] < 800


def test_tables_sort_and_filter_by_hand_and_by_key(open_page):
    tab = open_page("report.html")
    tab.run("table = document.querySelector('#ranking table'); 0")
    column = "[...table.tBodies[0].rows].filter(r => !r.hidden).map(r => r.cells[{k}].textContent)"
    heads = tab.run("[...table.tHead.rows[0].cells].map(h => h.textContent)")
    place = heads.index("Chance best")
    before = tab.run(column.format(k=0))
    assert before == [str(k) for k in range(1, len(before) + 1)]
    state = f"table.tHead.rows[0].cells[{place}].getAttribute('aria-sort')"
    assert tab.run(state) == "none"

    tab.run(f"table.tHead.rows[0].cells[{place}].querySelector('button').focus()")
    tab.press("Enter", 13, "\r")
    assert tab.run(state) == "ascending"
    percents = [_percent(text) for text in tab.run(column.format(k=place))]
    assert percents == sorted(percents)
    assert percents[0] < percents[-1]
    tab.press("Enter", 13, "\r")
    assert tab.run(state) == "descending"
    percents = [_percent(text) for text in tab.run(column.format(k=place))]
    assert percents == sorted(percents, reverse=True)
    tab.press("Enter", 13, "\r")
    assert tab.run(state) == "none"
    assert tab.run(column.format(k=0)) == before

    word = tab.run(column.format(k=1))[0].split(",")[0]
    tab.run("document.querySelector('#ranking .filter input').focus()")
    tab.send("Input.insertText", text=word)
    shown = tab.run(column.format(k=1))
    assert 0 < len(shown) < len(before)
    assert all(word in text for text in shown)
    said = tab.run("document.querySelector('#ranking .status').textContent")
    assert said == f"{len(shown)} of {len(before)} rows shown."
    assert tab.complaints() == []


def _percent(text: str) -> float:
    number = float(text.replace("\xa0", " ").replace("%", "").lstrip("<> "))
    return number - 0.5 if "<" in text else number


def test_without_scripts_nothing_is_offered_that_does_not_work(open_page):
    plain, scripted = open_page("report.html", scripts=False), open_page("report.html")
    assert plain.run("document.querySelectorAll('th button, input').length") == 0
    assert scripted.run("document.querySelectorAll('th button').length") > 20
    words = "document.querySelector('main').innerText.replace(/\\s+/g, ' ').length"
    assert plain.run(words) > 0.95 * scripted.run(words)


def test_a_picture_of_the_dark_page_is_dark(open_page):
    light, dark = (
        open_page("report.html", dark=how).run(
            "getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)"
        )
        for how in (False, True)
    )
    assert min(light) > 200
    assert max(dark) < 60


@pytest.fixture(scope="module")
def axe(tmp_path_factory) -> str:
    """The rules of axe-core, fetched once."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is not installed, so axe-core is not fetched")
    folder = tmp_path_factory.mktemp("axe")
    try:
        done = subprocess.run(
            [npm, "pack", "axe-core@4", "--silent"],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=60,
        )
    except subprocess.TimeoutExpired:
        pytest.skip("npm did not fetch axe-core within a minute")
    packed = list(folder.glob("axe-core-*.tgz"))
    if done.returncode or not packed:
        pytest.skip(f"npm cannot fetch axe-core here: {done.stderr.strip()[:200]}")
    shutil.unpack_archive(packed[0], folder, filter="data")
    return (folder / "package" / "axe.min.js").read_text(encoding="utf-8")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("name", PAGES)
def test_axe_finds_nothing_serious(open_page, axe, name, dark):
    tab = open_page(name, dark=dark)
    # Strokes and letters inside pictures are paths: one name stands for all of them.
    tab.run("document.querySelectorAll('svg > :not(title)').forEach(e => e.remove()); 0")
    tab.run(axe + "; 0")
    found = tab.run(
        "axe.run(document, {resultTypes: ['violations']}).then(r => [r.passes.length,"
        " r.violations.map(v => [v.impact, v.id, v.nodes.length, v.nodes[0].html.slice(0, 200)])])"
    )
    assert found[0] > 10
    assert [rule for rule in found[1] if rule[0] in ("serious", "critical")] == []
