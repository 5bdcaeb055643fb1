"""How the invented laboratory saves its files: text with any delimiter, and a workbook without a clock."""

from __future__ import annotations

import io
import zipfile
from datetime import datetime
from xml.sax.saxutils import escape

from laboratory import Row


def separated(rows: list[Row], *, columns: list[str] | None = None, mark: str = ",", decimal: str = ".") -> str:
    """Rows as text with one heading line; `mark` parts the cells."""
    heads = columns or list(rows[0])

    def cell(head: str, value: object) -> str:
        text = str(value)
        if decimal != "." and head in ("level", "result"):
            text = text.replace(".", decimal)
        return f'"{text}"' if mark in text else text

    lines = [mark.join(heads), *(mark.join(cell(head, row[head]) for head in heads) for row in rows)]
    return "\n".join(lines) + "\n"


def workbook(rows: list[Row], sheet: str) -> bytes:
    """A minimal workbook: text cells inline, numbers as numbers, times as spreadsheet dates."""
    heads = list(rows[0])
    lines = [[text_cell(name(column, 1), head) for column, head in enumerate(heads)]]
    for line, row in enumerate(rows, 2):
        lines.append([one_cell(name(column, line), head, row[head]) for column, head in enumerate(heads)])
    body = "".join(f'<row r="{line}">{"".join(cells)}</row>' for line, cells in enumerate(lines, 1))
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    kinds = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    xml = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{package}/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="xml" ContentType="application/xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{kinds}.sheet.main+xml"/>'
        f'<Override PartName="/xl/worksheets/sheet1.xml" ContentType="{kinds}.worksheet+xml"/>'
        f'<Override PartName="/xl/styles.xml" ContentType="{kinds}.styles+xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{package}/relationships">'
        f'<Relationship Id="rId1" Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}/relationships">'
        f'<Relationship Id="rId1" Type="{office}/worksheet" Target="worksheets/sheet1.xml"/>'
        f'<Relationship Id="rId2" Type="{office}/styles" Target="styles.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets>'
        f'<sheet name="{escape(sheet)}" sheetId="1" r:id="rId1"/></sheets></workbook>',
        "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{main}"><cols><col min="1" max="{len(heads)}" width="14" '
        f'customWidth="1"/></cols><sheetData>{body}</sheetData></worksheet>',
        "xl/styles.xml": f'<styleSheet xmlns="{main}"><fonts count="1"><font><sz val="11"/><name val="Calibri"/></font>'
        '</fonts><fills count="2"><fill><patternFill patternType="none"/></fill><fill><patternFill '
        'patternType="gray125"/></fill></fills><borders count="1"><border><left/><right/><top/><bottom/><diagonal/>'
        '</border></borders><cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/>'
        '</cellStyleXfs><cellXfs count="2"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/>'
        '<xf numFmtId="22" fontId="0" fillId="0" borderId="0" xfId="0" applyNumberFormat="1"/></cellXfs>'
        '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>',
    }
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        for part, content in parts.items():
            info = zipfile.ZipInfo(part, date_time=(1980, 1, 1, 0, 0, 0))
            info.create_system = 3  # the same on every system
            archive.writestr(info, xml + content)
    return buffer.getvalue()


def name(column: int, line: int) -> str:
    return f"{chr(ord('A') + column)}{line}"


def text_cell(place: str, text: str) -> str:
    return f'<c r="{place}" t="inlineStr"><is><t>{escape(text)}</t></is></c>'


def one_cell(place: str, head: str, value: object) -> str:
    if value == "":
        return ""
    if head == "time":
        since = datetime.fromisoformat(str(value)) - datetime(1899, 12, 30)
        return f'<c r="{place}" s="1"><v>{since.total_seconds() / 86400:.10f}</v></c>'
    if head in ("order", "replicate", "result"):
        return f'<c r="{place}"><v>{value}</v></c>'
    return text_cell(place, str(value))
