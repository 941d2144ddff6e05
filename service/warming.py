"""What pages and reports need once in the life of a process, loaded beside the answers when it has begun to answer."""

from __future__ import annotations

import threading
from importlib import import_module
from typing import Final

from service.pages.languages import read_catalogues

#: So long after its start a process is left to answer that it is ready.
WAIT_SECONDS: Final = 1.0
#: What functions of statistics would load when they are first asked.
SLOW: Final = ("scipy.special", "scipy.linalg", "scipy.optimize", "scipy.fft")


def warm_up(*, wait_seconds: float = WAIT_SECONDS) -> threading.Timer:
    """Load it in a thread of its own, after a while; to be cancelled when the process ends before."""
    timer = threading.Timer(wait_seconds, _load)
    timer.name, timer.daemon = "cutledger-warming", True
    timer.start()
    return timer


def _load() -> None:
    for module in SLOW:
        import_module(module)
    read_catalogues()
