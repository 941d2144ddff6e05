"""How far the import of a file came, in a small file: broken off and begun again, it goes on there.

A note is written after what it speaks of is committed. So one that is missing, torn or too old makes lines be taken
again, as duplicates; none is ever passed over.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from hashlib import blake2b
from pathlib import Path
from typing import Any, Final

import orjson
from sqlalchemy.engine import make_url

from service.import_files import FileUnreadable, bare, unpacked
from worker import ledger
from worker.database import Database

#: Bytes by whose content a file is known again, at its beginning.
_HEAD_BYTES: Final = 64 * 1024
#: Of a note, always: a shorter one over a longer would leave the rest of that.
_NOTE_BYTES: Final = 1_024
_HASH_BYTES: Final = 16


@dataclass(frozen=True, slots=True)
class Came:
    """How far an import came. `start`, `end`: where its last line lies in the unpacked file; `line_hash`: of that line.

    position, content_hash: of that event of the file which stands last in the ledger, None without one. Positions are
    committed in order: a ledger that holds it holds all that was taken before.
    """

    line: int
    start: int
    end: int
    line_hash: str
    position: int | None
    content_hash: str
    refused: int
    refused_bytes: int


class ImportNote:
    """The note of one import, which holds it for itself until it is closed."""

    def __init__(self, path: Path, descriptor: int, file: str, refused: str) -> None:
        self.path = path
        self.came: Came | None = None
        #: Why what was noted before is left aside; empty when nothing was, or nothing is.
        self.why_not = ""
        self._descriptor = descriptor
        self._about = {"file": file, "refused": refused}

    def read(self, database: Database, site: str, packed: Path, part: Path | None) -> None:
        """Take over how far the import came before, when that holds still; raises FileUnreadable.

        `part`: where its refused lines are, when they are kept.
        """
        noted = _read(self._descriptor)
        if noted is None:
            return
        about, came = noted
        if about["file"] != self._about["file"] or not _has_line(packed, came):
            self.why_not = "the file is another than it was when its import was broken off"
        elif about["refused"] != self._about["refused"]:
            self.why_not = "its import was broken off with another --refused"
        elif part is not None and (not part.is_file() or part.stat().st_size < came.refused_bytes):
            self.why_not = "the refused lines of the import that was broken off are gone"
        elif not _holds(database, site, came):
            self.why_not = "the ledger does not hold what the import that was broken off had taken"
        else:
            self.came = came
            return
        self.forget()

    def write(self, came: Came) -> None:
        """Note how far the import came."""
        told = orjson.dumps([self._about, asdict(came)])
        whole = f"{_hashed(told)} {told.decode()}".ljust(_NOTE_BYTES).encode()
        # Where it cannot be written, the import goes on; broken off, it is gone on with at an earlier note, or begun.
        with suppress(OSError):
            if os.pwrite(self._descriptor, whole, 0) == len(whole):
                self.came = came

    def forget(self) -> None:
        """Forget what was noted."""
        self.came = None
        with suppress(OSError):
            os.ftruncate(self._descriptor, 0)

    def close(self, *, ended: bool) -> None:
        """Let another import of the file have it; it goes when this one ended, or came nowhere."""
        if ended or self.came is None:
            with suppress(OSError):
                self.path.unlink(missing_ok=True)
        os.close(self._descriptor)


@contextmanager
def noted(database: Database, site: str, path: Path, refused: Path | None) -> Iterator[ImportNote | None]:
    """The note of an import of a file into a site; None where none can be kept, or another import of it is running.

    It lies in the folder of the data, else beside the file that is imported. Raises FileUnreadable.
    """
    folder = database.path.parent if database.is_sqlite else path.parent
    address = make_url(database.url).render_as_string(hide_password=True)
    key = _hashed(orjson.dumps([str(path.resolve()), site, address]))
    note_path = folder / f".import-{key}.note"
    file = _known_by(path)
    descriptor = _held(note_path)
    if descriptor is None:
        yield None
        return
    note = ImportNote(note_path, descriptor, file, "" if refused is None else _hashed(os.fsencode(refused.resolve())))
    try:
        yield note
    except BaseException:
        note.close(ended=False)
        raise
    note.close(ended=True)


def part_of(refused: Path, note: ImportNote) -> Path:
    """Where the refused lines of an import that may be broken off are gathered: no other import does it there."""
    return refused.with_name(f".{refused.name}{note.path.stem.removeprefix('.import')}.part")


def line_hash(line: bytes) -> str:
    """By what the last line, bare, is known again."""
    return _hashed(line)


def _held(path: Path) -> int | None:
    """A descriptor of the file, which no other process has then; None where that cannot be."""
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        # Whoever had it may have ended and removed it just now.
        if os.fstat(descriptor).st_nlink:
            return descriptor
    except OSError:
        pass
    os.close(descriptor)
    return None


def _known_by(path: Path) -> str:
    try:
        found = path.stat()
    except OSError as error:
        raise FileUnreadable(f"the file cannot be read: {error.strerror or error}") from error
    with unpacked(path) as stream:
        head = _hashed(stream.read(_HEAD_BYTES))
    return f"{found.st_size} {found.st_mtime_ns} {head}"


def _read(descriptor: int) -> tuple[dict[str, Any], Came] | None:
    """What a whole note says: of which file, and how far it came."""
    try:
        digest, _, told = os.pread(descriptor, _NOTE_BYTES, 0).rstrip().partition(b" ")
    except OSError:
        return None
    if digest != _hashed(told).encode():
        return None
    about, came = orjson.loads(told)
    try:
        return about, Came(**came)
    except TypeError:
        # Another release may note something else.
        return None


def _has_line(packed: Path, came: Came) -> bool:
    with unpacked(packed) as stream:
        stream.seek(came.start)
        return line_hash(bare(stream.read(came.end - came.start))) == came.line_hash


def _holds(database: Database, site: str, came: Came) -> bool:
    if came.position is None:
        return True
    with database.read() as connection:
        return ledger.holds(connection, site, came.position, bytes.fromhex(came.content_hash))


def _hashed(told: bytes) -> str:
    return blake2b(told, digest_size=_HASH_BYTES).hexdigest()
