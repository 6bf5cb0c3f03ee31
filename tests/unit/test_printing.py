"""Pages on paper: the same bytes each time, no network, plain words where it cannot be done."""

import sys

import pytest
from charscreen import printing
from charscreen.printing import NO_PDF, CannotPrintError, can_print, join_pages, print_page

PAGE = "<!DOCTYPE html><html><head><title>{0}</title></head>\n<body><h1>{0}</h1></body></html>\n"
needs_pango = pytest.mark.skipif(not can_print(), reason=NO_PDF)


@needs_pango
def test_the_same_page_gives_the_same_bytes():
    first = print_page(PAGE.format("Trial"), style="@page { size: A5 }")
    assert first.startswith(b"%PDF-")
    assert print_page(PAGE.format("Trial"), style="@page { size: A5 }") == first
    assert print_page(PAGE.format("Trial")) != first


@needs_pango
def test_nothing_is_fetched(tmp_path):
    secret = tmp_path / "other.css"
    secret.write_text("h1 { font-size: 60pt }")
    link = f'<link rel="stylesheet" href="{secret.as_uri()}"></head>'
    page = PAGE.format("Trial")
    assert print_page(page.replace("</head>", link)) == print_page(page)


def test_missing_libraries_are_named_by_their_packages(monkeypatch):
    assert not can_print([("libno_such_thing.so.0",), ("libnor_this.so.0",)])
    monkeypatch.setattr(printing, "_loads", lambda name: False)
    monkeypatch.setitem(sys.modules, "weasyprint", None)  # an import would fail the test
    with pytest.raises(CannotPrintError) as trouble:
        print_page(PAGE.format("Trial"))
    assert "libpango-1.0-0 and libpangoft2-1.0-0" in str(trouble.value)
    assert "\n" not in str(trouble.value)


def test_joined_pages_keep_the_first_head_and_every_body():
    whole = join_pages([PAGE.format(n) for n in ("one", "two", "three")], title="All & more")
    assert whole.count("<title>") == whole.count("<body>") == 1
    assert "<title>All &amp; more</title>" in whole
    assert [whole.index(f"<h1>{n}</h1>") for n in ("one", "two", "three")] == sorted(
        whole.index(f"<h1>{n}</h1>") for n in ("one", "two", "three")
    )
    assert whole.count("break-after: page") == 2


def test_nothing_and_no_page_cannot_be_joined():
    with pytest.raises(ValueError, match="no page to join"):
        join_pages([], title="x")
    with pytest.raises(ValueError, match="without a body"):
        join_pages(["<p>loose</p>"], title="x")
