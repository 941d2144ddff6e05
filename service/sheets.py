"""Rows as an Office Open XML workbook (ECMA-376): a sheet of rows, and one that tells what they are."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime
from decimal import Decimal
from io import BytesIO
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from xlsxwriter import Workbook
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

#: Names of columns that hold production days; so do all that end in _day.
_DAYS: Final = ("day", "since", "baseline_from", "baseline_to")
_DAY: Final = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
#: Spreadsheets count days from here.
_FIRST_YEAR: Final = 1900
#: The longest text that a cell holds, in UTF-16 units.
_LONGEST: Final = 32_767
#: The file says no other moment, so that equal answers are equal files.
_MADE: Final = datetime(2000, 1, 1, tzinfo=UTC).replace(tzinfo=None)
_WIDTH: Final = 16


class SheetUnwritable(Exception):
    """The temporary folder takes no more now."""


def workbook(names: Sequence[str], rows: Iterable[Mapping[str, Any]], whole: Mapping[str, Any]) -> bytes:
    """Rows with these columns and a header; `whole`: the answer that they are of, as JSON tells it.

    Text is text, never a formula nor a link; what is not known is empty; production days are days. The same values give
    the same bytes. Raises SheetUnwritable where the temporary folder has no room.
    """
    return made(lambda book, writer: _fill(book, writer, names, rows, whole))


def made(fill: Callable[[Workbook, CellWriter], None]) -> bytes:
    """A workbook as `fill` writes it, each sheet from its first row on. Raises SheetUnwritable."""
    # Few answers are workbooks: loaded when the first is made.
    from xlsxwriter import Workbook
    from xlsxwriter.exceptions import FileCreateError

    try:
        # Of its own, so that nothing is left there when it fills up.
        with TemporaryDirectory() as folder:
            out = BytesIO()
            with Workbook(out, {"constant_memory": True, "tmpdir": folder}) as book:
                book.set_properties({"created": _MADE})
                fill(book, CellWriter(book))
            return out.getvalue()
    except (OSError, FileCreateError) as error:
        raise SheetUnwritable from error


def _fill(
    book: Workbook,
    writer: CellWriter,
    names: Sequence[str],
    rows: Iterable[Mapping[str, Any]],
    whole: Mapping[str, Any],
) -> None:
    sheet = book.add_worksheet("rows")
    sheet.set_column(0, max(len(names) - 1, 0), _WIDTH)
    sheet.freeze_panes(1, 0)
    writer.header(sheet, names)
    for number, row in enumerate(rows, 1):
        for place, name in enumerate(names):
            writer.write(sheet, number, place, _read(name, row[name]))
    about = book.add_worksheet("about")
    about.set_column(0, 0, _WIDTH)
    about.set_column(1, 1, 6 * _WIDTH)
    cut = writer.cut
    notes = [("note", f"longer than a cell holds, so cut after {_LONGEST} units of UTF-16: {cut} texts")] if cut else []
    for number, (name, value) in enumerate([*_told(whole), *notes]):
        writer.write(about, number, 0, name)
        writer.write(about, number, 1, value)


class CellWriter:
    """Writes cells by the kind of their value, with the formats of one workbook."""

    def __init__(self, book: Workbook) -> None:
        self._bold: Format = book.add_format({"bold": True})
        self._day: Format = book.add_format({"num_format": "yyyy-mm-dd"})
        # Text stays text even after somebody has edited the cell.
        self._text: Format = book.add_format({"quote_prefix": True})
        #: How many texts were too long.
        self.cut = 0

    def header(self, sheet: Worksheet, names: Sequence[str], row: int = 0) -> None:
        """Write the names of columns."""
        for place, name in enumerate(names):
            sheet.write_string(row, place, name, self._bold)

    def write(self, sheet: Worksheet, row: int, place: int, value: Any, shown: Format | None = None) -> None:
        """Write one cell; a number as `shown` says."""
        match value:
            case None:
                pass
            case bool():
                sheet.write_boolean(row, place, value)
            case int() | float() | Decimal():
                if math.isfinite(value):
                    sheet.write_number(row, place, float(value), shown)
            case date() if value.year >= _FIRST_YEAR:
                sheet.write_datetime(row, place, datetime(value.year, value.month, value.day), self._day)  # noqa: DTZ001
            case _:
                sheet.write_string(row, place, self._fitting(str(value)), self._text)

    def _fitting(self, text: str) -> str:
        """As much of a text as a cell holds, with an ellipsis where it is cut."""
        units = text.encode("utf-16-le", "surrogatepass") if len(text) * 2 > _LONGEST else b""
        if len(units) <= 2 * _LONGEST:
            return text
        self.cut += 1
        # Not within a character of two units.
        return units[: 2 * (_LONGEST - 1)].decode("utf-16-le", "ignore") + "\u2026"


def _read(column: str, value: Any) -> Any:
    """A value of a row; a production day as a day."""
    holds_days = column in _DAYS or column.endswith("_day")
    return date.fromisoformat(value) if holds_days and isinstance(value, str) and _DAY.fullmatch(value) else value


def _told(whole: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """What goes with the rows, a line each: what was asked, up to what it counts, notes, cautions."""
    for name in ("report", "site"):
        if name in whole:
            yield name, whole[name]
    yield from ((f"published {name}", _plain(value)) for name, value in whole.get("published", {}).items())
    yield from ((name, _read("day", _plain(day))) for name, day in whole["window"].items())
    if "by" in whole:
        yield "by", ", ".join(whole["by"])
    for name, values in whole.get("filters", {}).items():
        yield name, ", ".join(values)
    yield from ((name, value) for name, value in whole.get("options", {}).items() if value is not None)
    yield from ((name, whole[name]) for name in ("assurance", "confidence", "currency") if name in whole)
    yield from ((f"as_of {name}", _plain(value)) for name, value in whole["as_of"].items())
    yield from (("note", note) for note in whole.get("notes", ()))
    yield from (("caution", caution) for caution in whole.get("cautions", ()))


def _plain(value: Any) -> Any:
    """An instant as its text: cells know no zones."""
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    return value.isoformat() if isinstance(value, date) else value
