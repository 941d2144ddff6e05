"""What derived facts say in a report, in sentences. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from worker.reports.fact_bands import FACTS, Explained, Explaining
from worker.sentences import Figure, Sentence, figure, joined, sentence

_WORDS: Final = {fact.name: fact.words for fact in FACTS}


def explained_words(found: Explained) -> Iterator[Sentence]:
    """Each fact that failures go with, and how that is to be read."""
    yield from _looked_for(found)
    if found.by:
        yield sentence(
            "each band stands in explained_by, beside what the first one gives at its own mix of thickness, material "
            "and machine: what goes together is not yet its cause"
        )


def confounded_words(found: Explained) -> Iterator[Sentence]:
    """The same where cuts are compared that may differ in such a fact."""
    yield from _looked_for(found)
    if found.by:
        yield sentence(
            "nothing here is held equal in this: %(facts)s; where what is compared differs in it, a difference may be "
            "due to it (see explained_by)",
            facts=joined(", ", [_WORDS[one.fact.name] for one in found.by]),
        )


def _looked_for(found: Explained) -> Iterator[Sentence]:
    if found.too_many:
        yield sentence("too many attempts to look for facts that failures go with: ask for fewer days")
    yield from map(_trend, found.by)


def _trend(one: Explaining) -> Sentence:
    told = {"fact": _WORDS[one.fact.name], "q": figure(one.q, ".2g"), "shares": _shares(one)}
    if one.course.trend.rises:
        return sentence(
            "%(fact)s: the higher, the more parts are not good at once, thickness, material and machine held equal "
            "(q %(q)s); %(shares)s",
            **told,
        )
    return sentence(
        "%(fact)s: the higher, the fewer parts are not good at once, thickness, material and machine held equal "
        "(q %(q)s); %(shares)s",
        **told,
    )


def _shares(one: Explaining) -> Sentence:
    last = one.course.shown[-1]
    if last.beside is None or last.beside.expected.share is None:
        return sentence("in the last band %(last)s, of work that the first has none of", last=_share(last.share.share))
    return sentence(
        "in the last band %(last)s, where the first would give %(expected)s at its mix",
        last=_share(last.beside.observed.share),
        expected=_share(last.beside.expected.share),
    )


def _share(share: float | None) -> Figure:
    return figure(share, ".1%")
