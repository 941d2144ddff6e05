"""Files that appear under their name only when they are whole."""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO


class NotReplaceable(ValueError):
    """A path at which no file can be put."""

    def __init__(self, path: Path) -> None:
        super().__init__(f"{path} is no file that could be replaced; name another")


@contextmanager
def renamed_when_whole(path: Path, *, private: bool = False) -> Iterator[IO[bytes]]:
    """A new file beside `path` that takes its place once it is written and on the disk; gone after an exception.

    `private`: only its owner may read it. Raises NotReplaceable and OSError.
    """
    _refuse_no_file(path)
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600 if private else 0o666)
    try:
        with open(descriptor, "wb") as raw:
            yield raw
            raw.flush()
            os.fsync(raw.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    _sync_folder(path)


@contextmanager
def gathered_until_whole(path: Path, part: Path, *, size: int, keep: Callable[[], bool]) -> Iterator[IO[bytes]]:
    """A file that is gathered in `part`, of which `size` bytes are there already, and takes the place of `path` then.

    After an exception it stays to be gone on with when `keep` says so. Raises NotReplaceable and OSError.
    """
    _refuse_no_file(path)
    descriptor = os.open(part, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o666)
    try:
        with open(descriptor, "r+b") as raw:
            raw.truncate(size)
            raw.seek(size)
            yield raw
            raw.flush()
            os.fsync(raw.fileno())
        part.replace(path)
    except BaseException:
        if not keep():
            part.unlink(missing_ok=True)
        raise
    _sync_folder(path)


def _refuse_no_file(path: Path) -> None:
    if path.exists() and not path.is_file():
        raise NotReplaceable(path)


def _sync_folder(path: Path) -> None:
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
