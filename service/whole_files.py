"""Files that appear under their name only when they are whole."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
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
    if path.exists() and not path.is_file():
        raise NotReplaceable(path)
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
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
