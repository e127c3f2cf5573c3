"""Workbooks (ECMA-376, SpreadsheetML) as rows of texts, with the standard library alone, within bounds."""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING
from xml.etree import ElementTree as Xml
from xml.sax.saxutils import escape

from buswright.errors import DatabaseError

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

MOST_PART_BYTES = 48 << 20
"""Of one part, unpacked."""
MOST_COLUMNS = 512
MOST_ROWS = 200_000
MOST_SHEETS = 64
_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
_PLACE = re.compile(r"([A-Z]{1,3})(\d{1,7})")
_FORBIDDEN = re.compile(r"[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_HINT = "save it again as XLSX, or as CSV"

Rows = list[tuple[int, list[str]]]


def sheets(data: bytes, path: str) -> dict[str, Rows]:
    """Return the sheets of a workbook: for each its rows, as (1-based row, cells).

    Formulas count as the result that was saved with them. Macros, links and pictures are not looked at.

    Raises
    ------
    DatabaseError
        It is no workbook, damaged, or too large.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            book = _part(archive, "xl/workbook.xml", path)
            if book is None:
                raise DatabaseError(f"{path}: is a ZIP file, but no workbook", hint=_HINT)
            targets = {
                each.get("Id", ""): each.get("Target", "")
                for each in _part(archive, "xl/_rels/workbook.xml.rels", path) or ()
            }
            texts = [_text(each) for each in _part(archive, "xl/sharedStrings.xml", path) or ()]
            found: dict[str, Rows] = {}
            for each in list(book.iter(f"{_MAIN}sheet"))[:MOST_SHEETS]:
                target = targets.get(each.get(_RELATION, ""), "").removeprefix("/").removeprefix("xl/")
                sheet = _part(archive, f"xl/{target}", path)
                if sheet is not None:
                    found[each.get("name", target)] = list(_rows(sheet, texts, path))
            return found
    except (zipfile.BadZipFile, zlib.error, EOFError, ValueError, NotImplementedError, RuntimeError, OSError) as error:
        raise DatabaseError(f"{path}: is a damaged workbook: {error}", hint=_HINT) from error
    except Xml.ParseError as error:
        raise DatabaseError(f"{path}: is a damaged workbook: {error}", hint=_HINT) from error


def _part(archive: zipfile.ZipFile, name: str, path: str) -> Element | None:
    if name not in archive.namelist():
        return None
    with archive.open(name) as stream:
        content = stream.read(MOST_PART_BYTES + 1)
    if len(content) > MOST_PART_BYTES:
        raise DatabaseError(f"{path}: {name}: more than {MOST_PART_BYTES >> 20} MB", hint="keep only the table in it")
    # No workbook declares entities; what expands to gigabytes, or names other files, does.
    if b"<!DOCTYPE" in content or b"<!ENTITY" in content or content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise DatabaseError(f"{path}: {name}: declares a document type, as no workbook does", hint=_HINT)
    return Xml.fromstring(content)  # noqa: S314 - without a document type there are no entities


def _text(element: Element) -> str:
    """Put the runs of a text together; readings of Japanese (rPh) are no part of it."""
    if element.tag == f"{_MAIN}rPh":
        return ""
    own = element.text or "" if element.tag == f"{_MAIN}t" else ""
    return own + "".join(map(_text, element))


def _rows(sheet: Element, texts: Sequence[str], path: str) -> Iterator[tuple[int, list[str]]]:
    number = 0
    for count, row in enumerate(sheet.iter(f"{_MAIN}row")):
        if count >= MOST_ROWS:
            raise DatabaseError(f"{path}: more than {MOST_ROWS:,} rows", hint="keep only the table in it")
        said = row.get("r", "")
        number = int(said) if said.isdecimal() and len(said) < 8 else number + 1
        cells: list[str] = []
        for cell in row.iter(f"{_MAIN}c"):
            place = _PLACE.fullmatch(cell.get("r", ""))
            column = _column(place[1]) if place else len(cells)
            if column < MOST_COLUMNS:
                cells += [""] * (column + 1 - len(cells))
                cells[column] = _value(cell, texts)
        yield number, cells


def _column(letters: str) -> int:
    value = 0
    for letter in letters:
        value = 26 * value + ord(letter) - 64
    return value - 1


def _value(cell: Element, texts: Sequence[str]) -> str:
    kind = cell.get("t", "n")
    if kind == "inlineStr":
        return _text(cell)
    saved = cell.findtext(f"{_MAIN}v") or ""
    if kind == "s":
        return texts[int(saved)] if saved.isdecimal() and len(saved) < 9 and int(saved) < len(texts) else ""
    if kind == "b":
        return "yes" if saved == "1" else "no"
    if kind == "n" and saved:
        number = float(saved)
        return str(int(number)) if number == int(number) and abs(number) < 2**53 else repr(number)
    return saved


_PARTS = {
    "[Content_Types].xml": '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="xml" ContentType="application/xml"/><Override PartName="/xl/workbook.xml" '
    'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/>'
    '<Override PartName="/xl/worksheets/sheet1.xml" '
    'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/></Types>',
    "_rels/.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Id="rId1" Target="xl/workbook.xml" '
    'Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument"/></Relationships>',
    "xl/workbook.xml": f'<workbook xmlns="{_MAIN[1:-1]}" '
    'xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships">'
    '<sheets><sheet name="signals" sheetId="1" r:id="rId1"/></sheets></workbook>',
    "xl/_rels/workbook.xml.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Id="rId1" Target="worksheets/sheet1.xml" '
    'Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet"/></Relationships>',
}


def workbook(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> bytes:
    """Write rows as a workbook of one sheet; all cells are texts, so that no identifier turns into a number."""
    lines = []
    for number, row in enumerate((heads, *rows), 1):
        cells = "".join(
            f'<c r="{_letters(k)}{number}" t="inlineStr"><is><t xml:space="preserve">'
            f"{escape(_FORBIDDEN.sub('?', text), {chr(13): '&#13;'})}</t></is></c>"
            for k, text in enumerate(row)
            if text
        )
        lines.append(f'<row r="{number}">{cells}</row>')
    sheet = f'<worksheet xmlns="{_MAIN[1:-1]}"><sheetData>{"".join(lines)}</sheetData></worksheet>'
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in (*_PARTS.items(), ("xl/worksheets/sheet1.xml", sheet)):
            head = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>'
            # A fixed time: the same table always gives the same bytes.
            archive.writestr(zipfile.ZipInfo(name), head + content, zipfile.ZIP_DEFLATED)
    return stream.getvalue()


def _letters(column: int) -> str:
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return letters
