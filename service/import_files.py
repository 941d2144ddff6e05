"""Files that are imported: opened, unpacked, and told apart by how they begin."""

from __future__ import annotations

import gzip
import shutil
import sys
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Final, cast

from worker.portable import LONGEST_LINE, is_header

LEDGER: Final = "ledger"
EVENTS: Final = "events"
TABLE: Final = "table"

_GZIP: Final = b"\x1f\x8b"
_BOM: Final = b"\xef\xbb\xbf"
_WIDE_BOMS: Final = (b"\xff\xfe", b"\xfe\xff")
_CHUNK: Final = 1024 * 1024


class FileUnreadable(ValueError):
    """A file that cannot be read as what it should be; says why, and how to mend it."""


@contextmanager
def local_copy(file: str) -> Iterator[Path]:
    """Path of the file, which may be read more than once: of a copy when it is `-`, standard input."""
    if file != "-":
        yield Path(file)
        return
    with tempfile.NamedTemporaryFile(prefix="cutledger-import-") as copy:
        shutil.copyfileobj(sys.stdin.buffer, copy, _CHUNK)
        copy.flush()
        yield Path(copy.name)


@contextmanager
def unpacked(path: Path) -> Iterator[IO[bytes]]:
    """Bytes of a file, out of gzip when they are in it; raises FileUnreadable also for what is found on the way."""
    try:
        with path.open("rb") as raw:
            is_packed = raw.read(2) == _GZIP
        with gzip.open(path) if is_packed else path.open("rb") as stream:
            yield cast(IO[bytes], stream)
    except (EOFError, gzip.BadGzipFile, zlib.error) as error:
        raise FileUnreadable("the compressed file is cut short or damaged; copy or export it again") from error
    except OSError as error:
        raise FileUnreadable(f"the file cannot be read: {error.strerror or error}") from error


def kind_of(path: Path) -> str:
    """LEDGER for an exported ledger, EVENTS for events one a line, TABLE for anything else; raises FileUnreadable."""
    with unpacked(path) as stream:
        first = stream.readline(LONGEST_LINE)
        while first and not first.strip(b" \t\r\n" + _BOM):
            first = stream.readline(LONGEST_LINE)
    if not first:
        raise FileUnreadable("the file is empty")
    if is_header(first):
        return LEDGER
    return EVENTS if first.removeprefix(_BOM).lstrip().startswith(b"{") else TABLE


def bare(line: bytes) -> bytes:
    """A line without the blanks around it, and without the mark at the beginning of a file."""
    return line.removeprefix(_BOM).strip(b" \t\r\n")


def refuse_wide(first: bytes, encoding: str) -> None:
    """Raise FileUnreadable when the first line of a table is as in UTF-16 although another encoding is said."""
    if "16" not in encoding and (first.startswith(_WIDE_BOMS) or b"\0" in first.partition(b"\n")[0]):
        raise FileUnreadable(
            f'the table is not in {encoding} but in what looks like UTF-16; say encoding = "utf-16" under [table] in '
            "the map, or save it as UTF-8"
        )
