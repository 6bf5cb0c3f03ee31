"""The appendix of a report: the trace of every test, a sheet for each firing."""

from collections.abc import Mapping

from markupsafe import Markup

from charscreen.report.blocks import Bullets, Picture, Section, Text
from charscreen.report.svg import svg_for_page
from charscreen.words import count_words

#: The page stays one that opens on a phone: sheets beyond this stand in their files only.
MOST_BYTES = 1_500_000
#: Pictures of the whole page, sheets included, so that it stays under 5 MB with its tables.
MOST_OF_PAGE = 4_000_000


def traces_section(sheets: Mapping[str, tuple[str, str]], *, taken: int = 0) -> Section:
    """All sheets of traces, as far as they fit on the page.

    Parameters
    ----------
    sheets : mapping
        Firing to the file and the SVG text of its sheet.
    taken : int
        What the other pictures of the page take. [bytes]

    Returns
    -------
    Section
        Sheets in the order of the firings; of those that do not fit the names of their files.
    """
    title = "Appendix: traces of every cell"
    if not sheets:
        return Section("traces", title, [Text("No test has a trace or readings yet.")])
    blocks: list = [
        Text(
            "Every test that was evaluated from a trace or from readings, by firing. Look here "
            "when a figure surprises: a wrong file or part, or a cell that leaks, shows at once. "
            "Thin: the record, thinned for the picture; thick: the part that capacitance is taken "
            "from. Beside it the capacitance of every cycle, filled where it counts. A frame holds "
            "the tests of one cell. Tests of more than five cycles show the trace of their last "
            "three. ± is one standard uncertainty."
        )
    ]
    used, elsewhere = 0, []
    room = min(MOST_BYTES, MOST_OF_PAGE - taken)
    for firing, (file, svg) in sorted(sheets.items()):
        used += len(svg)
        if used > room:
            elsewhere.append(file)
            continue
        tests = count_words(svg.count("<title>"), "test")
        label = (
            f"Small pictures of {tests} of firing {firing}: voltage against time with the fitted "
            "part marked, and capacitance by cycle. The figures stand in collect/test_results.csv."
        )
        blocks.append(
            Picture(
                name=f"traces-{firing}",
                svg=Markup(svg_for_page(svg, prefix=f"traces-{firing}", label=label)),
                caption=f"Firing {firing}: {tests}.",
                file=file,
            )
        )
    if elsewhere:
        blocks.append(Text("To keep this page light, further sheets stand in their own files:"))
        blocks.append(Bullets(elsewhere))
    return Section("traces", title, blocks)
