"""The smallest XLSX file that holds a table, written by hand."""

import zipfile
from pathlib import Path
from xml.sax.saxutils import escape

_TYPES = (
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="xml" ContentType="application/xml"/>'
    '<Override PartName="/xl/workbook.xml" ContentType="application/'
    'vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/>'
    '<Override PartName="/xl/worksheets/sheet1.xml" ContentType="application/'
    'vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/></Types>'
)
_RELS = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/'
    'relationships/{kind}" Target="{target}"/></Relationships>'
)
_BOOK = (
    '<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" '
    'xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships">'
    '<sheets><sheet name="data" sheetId="1" r:id="rId1"/></sheets></workbook>'
)
_SHEET = (
    '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
    "<sheetData>{rows}</sheetData></worksheet>"
)


def write_workbook(path: Path, rows: list[list]) -> None:
    """Write rows of numbers and texts as the one sheet of a workbook."""
    lines = []
    for number, row in enumerate(rows, start=1):
        cells = []
        for k, value in enumerate(row):
            place = f"{chr(65 + k)}{number}"
            if isinstance(value, (int, float)):
                cells.append(f'<c r="{place}"><v>{value!r}</v></c>')
            else:
                cells.append(f'<c r="{place}" t="inlineStr"><is><t>{escape(value)}</t></is></c>')
        lines.append(f'<row r="{number}">{"".join(cells)}</row>')
    with zipfile.ZipFile(path, "w") as book:
        book.writestr("[Content_Types].xml", _TYPES)
        book.writestr("_rels/.rels", _RELS.format(kind="officeDocument", target="xl/workbook.xml"))
        book.writestr(
            "xl/_rels/workbook.xml.rels",
            _RELS.format(kind="worksheet", target="worksheets/sheet1.xml"),
        )
        book.writestr("xl/workbook.xml", _BOOK)
        book.writestr("xl/worksheets/sheet1.xml", _SHEET.format(rows="".join(lines)))
