"""How names of materials, machines and recipes are matched, and what a pseudonym of a person looks like."""

from __future__ import annotations

import base64
import re
import unicodedata
from functools import lru_cache
from typing import Final

#: A pseudonym tells of which of the site's keys for people it is: p- of the first, p1- of the one after it.
_PSEUDONYM: Final = re.compile(r"p(?P<generation>[1-9][0-9]{0,8}|)-[a-z2-7]{12}", re.ASCII)
#: What is not a pseudonym: a name that was kept.
PLAIN: Final = -1


@lru_cache(maxsize=16384)
def name_key(name: str) -> str:
    """The form by which a name is matched: trimmed, NFC, case folded."""
    folded = unicodedata.normalize("NFC", name.strip()).casefold()
    return unicodedata.normalize("NFC", folded)


def pseudonym(digest: bytes, generation: int) -> str:
    """What stands for a name: 60 bits of its keyed digest, and of which generation the key is."""
    return f"p{generation or ''}-{base64.b32encode(digest)[:12].decode().lower()}"


@lru_cache(maxsize=4096)
def generation_of(person: str) -> int:
    """Of which generation of the site's key a pseudonym is; PLAIN for any other text."""
    found = _PSEUDONYM.fullmatch(person)
    return PLAIN if found is None else int(found["generation"] or 0)


def recipe_label(name: str, revision: str | None) -> str:
    """A recipe as it is shown: its name and revision."""
    return f"{name.strip()} / {revision.strip()}" if revision else name.strip()
