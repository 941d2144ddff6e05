"""A page's content as CSV and as a workbook: the same sections, sentences and tables."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

from service.formats import harmless
from service.pages.contents import Cell, Content, Kind, Section, Table
from service.pages.languages import gettext
from service.sheets import CellWriter, made
from worker.reports.plain import plain_decimal

if TYPE_CHECKING:
    from xlsxwriter import Workbook
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

#: How spreadsheets show numbers of a kind.
_NUMBER_FORMATS: Final[dict[Kind, str]] = {
    "share": "0.0%", "money": "#,##0.00", "minutes": "#,##0.0", "count": "#,##0.##",
}  # fmt: skip
#: The longest name of a sheet, and what none may hold.
_LONGEST_NAME: Final = 31
_NOT_IN_NAMES: Final = re.compile(r"[\[\]:*?/\\']")
_FIRST_WIDTH: Final = 34
_WIDTH: Final = 18

Line = Sequence[Any]


# --- CSV --------------------------------------------------------------------------------------------------------


def content_csv(content: Content) -> bytes:
    """RFC 4180 CSV without a header: in each line the section's heading, then what stands there, all of one width.

    Shares are numbers from 0 to 1, intervals two columns, days as 2026-03-04. No spreadsheet runs a text of it.
    """
    lines = [[section, *line] for section, line in _lines(content)]
    width = max(len(line) for line in lines)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    for line in lines:
        writer.writerow([_plain(value) for value in line] + [""] * (width - len(line)))
    return out.getvalue().encode()


def _lines(content: Content) -> Iterator[tuple[str, Line]]:
    about = gettext("About")
    yield about, [content.title]
    yield from ((about, fact) for fact in content.facts)
    for section in content.sections:
        yield from ((section.heading, [one.text]) for one in section.said)
        for table in section.tables:
            yield section.heading, [table.caption]
            yield from ((section.heading, line) for line in _table_lines(table))


def _table_lines(table: Table) -> Iterator[Line]:
    yield [name for column in table.columns for name in column.names]
    yield from ([value for cell in row for value in cell.values] for row in table.every_row)


def _plain(value: Any) -> str:
    match value:
        case None:
            return ""
        case str():
            return harmless(value)
        case date():
            return value.isoformat()
        case Decimal():
            return plain_decimal(value)
    return str(value)


# --- workbook ---------------------------------------------------------------------------------------------------


def content_workbook(content: Content) -> bytes:
    """An Office Open XML workbook: a sheet of what it is about, then one for each section."""
    return made(lambda book, writer: _fill(book, writer, content))


def _fill(book: Workbook, writer: CellWriter, content: Content) -> None:
    book.set_properties({"title": content.title})
    formats = {kind: book.add_format({"num_format": text}) for kind, text in _NUMBER_FORMATS.items()}
    taken: set[str] = set()
    about = _sheet(book, gettext("About"), taken)
    writer.header(about, [content.title])
    for number, (label, told) in enumerate(content.facts, 1):
        writer.write(about, number, 0, label)
        writer.write(about, number, 1, told)
    for section in content.sections:
        _write_section(_sheet(book, section.heading, taken), writer, formats, section)


def _sheet(book: Workbook, heading: str, taken: set[str]) -> Worksheet:
    """A sheet under as much of a heading as a name holds; no two alike, in capitals or not."""
    bare = _NOT_IN_NAMES.sub("", heading).strip()[:_LONGEST_NAME]
    name, again = bare, 1
    while not name or name.lower() in taken:
        again += 1
        name = f"{bare[: _LONGEST_NAME - 4]} {again}"
    taken.add(name.lower())
    sheet: Worksheet = book.add_worksheet(name)
    sheet.set_column(0, 0, _FIRST_WIDTH)
    sheet.set_column(1, 20, _WIDTH)
    return sheet


def _write_section(sheet: Worksheet, writer: CellWriter, formats: dict[Kind, Format], section: Section) -> None:
    row = 0
    for one in section.said:
        writer.write(sheet, row, 0, one.text)
        row += 1
    for table in section.tables:
        row += row > 0
        writer.write(sheet, row, 0, table.caption)
        writer.header(sheet, [name for column in table.columns for name in column.names], row + 1)
        row += 2
        for cells in table.every_row:
            for place, (cell, value) in enumerate(_values(cells)):
                writer.write(sheet, row, place, value, formats.get(cell.kind))
            row += 1


def _values(cells: Iterable[Cell]) -> Iterator[tuple[Cell, Any]]:
    return ((cell, value) for cell in cells for value in cell.values)
