"""Turn a workbook into bytes that repeat: fixed times, and formulas with their present values."""

from __future__ import annotations

import io
import re
import zipfile
from datetime import datetime
from xml.sax.saxutils import escape

from openpyxl import Workbook
from openpyxl.writer.excel import ExcelWriter

_ZIP_DAY = (2000, 1, 1, 0, 0, 0)
_CORE_DAY = datetime(2000, 1, 1)
_MODIFIED = re.compile(rb"(<dcterms:modified[^>]*>)[^<]*(</dcterms:modified>)")
_NO_TITLE = b'<chart><autoTitleDeleted val="1" /><plotArea>'
"""A chart without a title says so: else a spreadsheet program titles a lone series with its name."""
_FOOTER = re.compile(rb"<oddFooter>.*?</oddFooter>", re.DOTALL)
_FORMULA = re.compile(
    r'<c r="([A-Z]+[0-9]+)"((?: s="[0-9]+")?)(?: t="[a-z]+")?><f>(.*?)</f><v ?(?:/>|></v>)</c>'
)


def sealed_bytes(workbook: Workbook, shown: dict[tuple[str, str], float | str]) -> bytes:
    """The workbook as .xlsx bytes, the same for the same content whenever and wherever it is written.

    shown: (sheet title, cell) -> value stored with the formula of that cell.
    """
    workbook.properties.created = _CORE_DAY
    workbook.properties.creator = "kitplan"
    workbook.calculation.fullCalcOnLoad = True
    loose = io.BytesIO()
    with zipfile.ZipFile(loose, "w", zipfile.ZIP_STORED) as archive:
        ExcelWriter(workbook, archive).save()
    sheets = {f"xl/worksheets/sheet{n}.xml": s.title for n, s in enumerate(workbook.worksheets, 1)}
    tight = io.BytesIO()
    with zipfile.ZipFile(loose) as source, zipfile.ZipFile(tight, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            content = source.read(name)
            if name == "docProps/core.xml":
                content = _MODIFIED.sub(rb"\g<1>2000-01-01T00:00:00Z\g<2>", content)
            elif name in sheets:
                content = _with_values(_with_footer_lines(content), sheets[name], shown)
            elif name.startswith("xl/charts/"):
                content = content.replace(b"<chart><plotArea>", _NO_TITLE)
            entry = zipfile.ZipInfo(name, _ZIP_DAY)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3
            entry.external_attr = 0o600 << 16
            target.writestr(entry, content)
    return tight.getvalue()


def _with_footer_lines(xml: bytes) -> bytes:
    """Undo the escape that turns a line break of a footer into text."""
    return _FOOTER.sub(lambda match: match[0].replace(b"_x000a_", b"\n"), xml)


def _with_values(xml: bytes, title: str, shown: dict[tuple[str, str], float | str]) -> bytes:
    def filled(match: re.Match[str]) -> str:
        cell, style, formula = match.groups()
        value = shown.get((title, cell), "")
        kind = ' t="str"' if isinstance(value, str) else ""
        text = escape(value) if isinstance(value, str) else repr(value)
        return f'<c r="{cell}"{style}{kind}><f>{formula}</f><v>{text}</v></c>'

    if b"<f>" not in xml:
        return xml
    return _FORMULA.sub(filled, xml.decode("utf-8")).encode("utf-8")
