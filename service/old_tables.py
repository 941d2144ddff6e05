"""Reads a shop's old table, a CSV, row by row; and writes rows as they were, so that they can be mended."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import IO, Final

from service.faults import nearest, shown
from service.import_files import FileUnreadable, refuse_wide

#: Columns that a file of refused lines has before those of the table.
LINE_COLUMN: Final = "refused_line"
REASON_COLUMN: Final = "refused_reason"

_DELIMITERS: Final = (";", "\t", ",", "|")
_BOM: Final = "\ufeff"
_LONGEST_LINE: Final = 1_000_000
#: What stands for a byte that is none of the encoding.
_FIRST_STRAY, _LAST_STRAY = "\udc80", "\udcff"


@dataclass(frozen=True, slots=True)
class Row:
    """A row as it was; `cells` is None for one that does not fit the header, and `fault` says why."""

    line: int
    as_was: list[str]
    cells: dict[str, str] | None
    fault: str = ""


@dataclass(frozen=True)
class Form:
    """How the text of a table is written."""

    encoding: str
    delimiter: str
    has_bom: bool = False


class Table:
    """A table whose header has been read. Iterating gives its rows, blank ones left out; raises FileUnreadable."""

    def __init__(self, stream: IO[bytes], *, encoding: str, delimiter: str | None) -> None:
        text, has_bom, first = _decoded(stream, encoding)
        self.form = Form(encoding, delimiter or _likely_delimiter(first), has_bom)
        self._reader = csv.reader(_Lines(first, text), delimiter=self.form.delimiter, strict=True)
        header = [name.strip() for name in self._next() or []]
        self._lead = 2 if header[:2] == [LINE_COLUMN, REASON_COLUMN] else 0
        self.header = header[self._lead :]
        self._check_header()

    def holds_refused(self, header: Sequence[str]) -> bool:
        """True for a file of refused lines that had these columns."""
        return self._lead > 0 and self.header == list(header)

    def __iter__(self) -> Iterator[Row]:
        line = self._reader.line_num + 1
        while (found := self._next()) is not None:
            cells = found[self._lead :]
            if any(cell.strip() for cell in cells):
                yield self._row(line, cells)
            line = self._reader.line_num + 1

    def _next(self) -> list[str] | None:
        line = self._reader.line_num + 1
        try:
            return next(self._reader, None)
        except csv.Error as error:
            raise FileUnreadable(
                f'line {line}: the row cannot be read ({error}); a quote (") was probably opened and not closed, or '
                "stands within a cell without being doubled"
            ) from error
        except UnicodeError as error:
            raise FileUnreadable(f"line {line} or one soon after it is not in {self.form.encoding}: {error}") from error

    def _check_header(self) -> None:
        if not any(self.header):
            raise FileUnreadable("the table has no header: its first line must name the columns")
        for name in self.header:
            if _stray(name) is not None:
                raise FileUnreadable(f"the header is not in {self.form.encoding}; {_mend_encoding(self.form.encoding)}")
        twice = [name for name, times in Counter(self.header).items() if name and times > 1]
        if twice:
            places = ", ".join(str(place) for place, name in enumerate(self.header, 1) if name == twice[0])
            raise FileUnreadable(
                f"the header names column {shown(twice[0])} twice (columns {places}); rename one of them"
            )

    def _row(self, line: int, cells: list[str]) -> Row:
        width = len(self.header)
        if len(cells) < width or any(cell.strip() for cell in cells[width:]):
            fault = f"has {len(cells)} cells, but the header names {width} columns; mend its delimiters and quotes"
            return Row(line, cells, None, fault)
        if (stray := _stray("".join(cells))) is not None:
            fault = f"holds the byte 0x{stray:02x}, which is not in {self.form.encoding}; "
            return Row(line, cells, None, fault + _mend_encoding(self.form.encoding))
        named = zip(self.header, cells[:width], strict=True)
        return Row(line, cells, {name: cell.strip() for name, cell in named if name})


class RefusedRows:
    """Writes rows as they were, in the form of the table that they come from, with the line and the reason before."""

    def __init__(self, stream: IO[bytes], *, header: Sequence[str], form: Form, goes_on: bool = False) -> None:
        """`goes_on`: the stream has the header, and rows, already."""
        self._text = io.TextIOWrapper(
            stream, encoding=form.encoding, errors=_errors(form.encoding), newline="", write_through=True
        )
        if form.has_bom and form.encoding == "utf-8" and not goes_on:
            self._text.write(_BOM)
        # CRLF, else a bare CR within a cell would go unquoted.
        self._writer = csv.writer(self._text, delimiter=form.delimiter, lineterminator="\r\n")
        if not goes_on:
            self._writer.writerow([LINE_COLUMN, REASON_COLUMN, *header])

    def write(self, line: int, reason: str, as_was: Sequence[str]) -> None:
        """Write one row."""
        encoding = self._text.encoding
        plain = reason.encode(encoding, "replace").decode(encoding)
        self._writer.writerow([line, " ".join(plain.split()), *as_was])

    def close(self) -> None:
        """Write what is still in hand; the stream stays open."""
        self._text.detach()


def nearest_column(name: str, header: Sequence[str]) -> str:
    """The end of a message: the column that was probably meant, else what columns there are."""
    like = nearest(name, tuple(header))
    return f"nearest: {like}" if like else f"the table has {', '.join(each for each in header if each)[:300]}"


class _Lines(Iterator[str]):
    """Lines of a text, each of bounded length, the first of which was looked at before."""

    def __init__(self, first: str, rest: io.TextIOWrapper) -> None:
        self._first: str | None = first
        self._rest = rest

    def __next__(self) -> str:
        if (first := self._first) is not None:
            self._first = None
            return first
        line = self._rest.readline(_LONGEST_LINE + 1)
        if len(line) > _LONGEST_LINE:
            raise csv.Error(f"it has more than {_LONGEST_LINE} characters")
        if not line:
            raise StopIteration
        return line


def _decoded(stream: IO[bytes], encoding: str) -> tuple[io.TextIOWrapper, bool, str]:
    """(the text after its first line, whether it began with a byte order mark, the first line)."""
    refuse_wide(stream.read(512), encoding)
    stream.seek(0)
    text = io.TextIOWrapper(stream, encoding=encoding, errors=_errors(encoding), newline="")
    try:
        first = text.readline(_LONGEST_LINE)
    except UnicodeError as error:
        raise FileUnreadable(f"the table is not in {encoding}: {error}; {_mend_encoding(encoding)}") from error
    if not first:
        raise FileUnreadable("the file is empty")
    return text, first.startswith(_BOM), first.removeprefix(_BOM)


def _errors(encoding: str) -> str:
    # Stray bytes go through as they are, and are told where they stand; not so where characters have two bytes.
    return "strict" if "16" in encoding or "32" in encoding else "surrogateescape"


def _likely_delimiter(header: str) -> str:
    # What stands between quotes says nothing.
    bare = "".join(header.split('"')[::2])
    return max(_DELIMITERS, key=lambda each: (bare.count(each), -_DELIMITERS.index(each)))


def _stray(text: str) -> int | None:
    """The first byte that is none of the encoding; None without one."""
    if text.isascii():
        return None
    found = next((each for each in text if _FIRST_STRAY <= each <= _LAST_STRAY), None)
    return None if found is None else ord(found) - 0xDC00


def _mend_encoding(encoding: str) -> str:
    other = "cp1252" if encoding == "utf-8" else "utf-8"
    return f'save the table as {encoding}, or say its encoding under [table] in the map: encoding = "{other}", say'
