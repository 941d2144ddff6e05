"""The clock: read here, passed down as `now_us`."""

from __future__ import annotations

import time


def now_us() -> int:
    """Microseconds since 1970 UTC."""
    return time.time_ns() // 1_000
