"""Whether the server is about to end: readiness says no then, and answers end their connections."""

from __future__ import annotations

import mmap


class Drain:
    """Whether the server is about to end: known to all its processes, for it was made before they parted."""

    def __init__(self) -> None:
        self._page = mmap.mmap(-1, 1)

    def begin(self) -> None:
        """Say that the server is about to end."""
        self._page[0] = 1

    @property
    def begun(self) -> bool:
        """True once the server is about to end."""
        return self._page[0] == 1
