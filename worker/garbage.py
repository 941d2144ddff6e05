"""When Python looks for garbage in circles, in processes that live long and make many objects."""

from __future__ import annotations

import gc
from typing import Final

#: Before so many new objects a process that answers looks for none: a batch of a thousand events makes some ten
#: thousand.
ANSWERING: Final = 20_000
#: The same where events are folded: that makes no circles, but so many rows that to look for some takes a tenth of
#: the time.
FOLDING: Final = 200_000


def settle_memory(new_objects: int) -> None:
    """Let collections of garbage look at what is made from here on, after so many new objects, not at all before it."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(new_objects, 20, 20)
