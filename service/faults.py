"""What is wrong with a body, and where: pointers, and values shown so that a message stays short and printable."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache
from itertools import islice
from typing import Final

from worker.sentences import Figure, sentence

#: More faults of one event help nobody, and a hostile body could make its answer larger than itself.
MOST_FAULTS: Final = 10
SHOWN_LENGTH: Final = 60
LONGEST_NAME: Final = 128


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong: an RFC 6901 pointer from the start of the body, and what was found and would do."""

    pointer: str
    detail: str


def first_faults(faults: Iterable[Fault]) -> list[Fault]:
    """The first MOST_FAULTS of them."""
    return list(islice(faults, MOST_FAULTS))


def below(pointer: str, token: str | int) -> str:
    """Pointer to a member or element; that of the container when the member's name is too odd to be sent back."""
    if isinstance(token, int):
        return f"{pointer}/{token}"
    if len(token) > LONGEST_NAME or not token.isprintable():
        return pointer
    return f"{pointer}/{token.replace('~', '~0').replace('/', '~1')}"


def shown(value: object) -> str:
    """What was found, in at most 60 printable characters."""
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, dict):
        return sentence("an object")
    if isinstance(value, list):
        return sentence("a list of %(count)s", count=len(value))
    if isinstance(value, int) and value.bit_length() > 180:
        return sentence("a very large number")
    return Figure(_shortened(str(value), SHOWN_LENGTH))


def nearest(word: str, words: tuple[str, ...]) -> str | None:
    """The word that was probably meant; None when none of them is like it."""
    return _nearest(word, words) if len(word) <= SHOWN_LENGTH else None


@lru_cache(maxsize=4096)
def _nearest(word: str, words: tuple[str, ...]) -> str | None:
    # Cached: an importer's mistyped column comes with every line of its file.
    by_fold = {_folded(each): each for each in words}
    like = get_close_matches(_folded(word), by_fold, n=1)
    return by_fold[like[0]] if like else None


def _folded(word: str) -> str:
    return word.strip().casefold().replace(" ", "_").replace("-", "_")


def _quoted(text: str) -> str:
    printable = "".join(each if each.isprintable() else f"\\u{ord(each):04x}" for each in text[:SHOWN_LENGTH])
    if len(text) > SHOWN_LENGTH:
        printable += "…"
    return f'"{_shortened(printable, SHOWN_LENGTH - 2)}"'


def _shortened(text: str, length: int) -> str:
    return text if len(text) <= length else text[: length - 1] + "…"
