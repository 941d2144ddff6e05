"""How names of materials, machines and recipes are matched."""

from __future__ import annotations

import unicodedata
from functools import lru_cache


@lru_cache(maxsize=16384)
def name_key(name: str) -> str:
    """The form by which a name is matched: trimmed, NFC, case folded."""
    folded = unicodedata.normalize("NFC", name.strip()).casefold()
    return unicodedata.normalize("NFC", folded)


def recipe_label(name: str, revision: str | None) -> str:
    """A recipe as it is shown: its name and revision."""
    return f"{name.strip()} / {revision.strip()}" if revision else name.strip()
