"""What is advised of the paths of many groups, in sentences that nobody can take for their opposite."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from worker.reports.kerf_offsets import (
    CONTOURS,
    DIVIDE,
    LEAST_PLATES,
    LEAVE,
    LOOK,
    MORE,
    MOVE,
    SMALL_MM,
    Claim,
    How,
    Kerf,
    off_alike,
)
from worker.reports.measured import counted

MOST_ADVICE: Final = 20


def names_of(groups: Sequence[Mapping[str, Any]]) -> list[str]:
    """What each group is called; dimensions that no group knows are not named."""
    known = [label for label in (groups[0] if groups else ()) if any(where[label] is not None for where in groups)]
    return [", ".join(_called(label, where[label]) for label in known) for where in groups]


def _called(label: str, value: Any) -> str:
    if value is None:
        return f"{label.removesuffix('_mm')} not known"
    return f"{value:g} mm" if label == "thickness_mm" else str(value)


def advice_of(groups: Sequence[tuple[str, Kerf]], how: How) -> list[str]:
    """What is due, the largest first; what else is to be looked at; then, as counts, where nothing is to be done."""
    due = [
        (-abs(path), name, _move(name, claim, kerf, how))
        for name, kerf in groups
        for claim in kerf.claims
        if (path := claim.path_towards_part_mm) is not None
    ]
    said = [sentence for _, _, sentence in sorted(due)]
    said += [sentence for name, kerf in groups for sentence in _look(name, kerf)]
    more = len(said) - MOST_ADVICE
    return [
        *said[:MOST_ADVICE],
        *([f"and {counted(more, 'sentence', '')} more of that kind: the rows tell all"] if more > 0 else []),
        *_nothing_due(groups),
    ]


def _started(name: str) -> str:
    return f"{name}: " if name else ""


def _move(name: str, claim: Claim, kerf: Kerf, how: How) -> str:
    """What is due, so that nobody can take it for its opposite."""
    offset, path = claim.found, claim.path_towards_part_mm or 0.0
    low, high = sorted((abs(offset.low or 0.0), abs(offset.high or 0.0)))
    outer, inner = ("large", "small") if path > 0 else ("small", "large")
    off = f"{2 * abs(path):.3f} mm too"
    come_out = {
        ("outside", "inside"): f"outside sizes come out {off} {outer}, inside ones as much too {inner}",
        ("outside",): f"outside sizes come out {off} {outer}",
        ("inside",): f"inside sizes come out {off} {inner}",
    }[claim.features]
    towards = "towards the part" if path > 0 else "away from the part"
    turned = {"outside": "inward" if path > 0 else "outward", "inside": "outward" if path > 0 else "inward"}
    where = ", ".join(f"{turned[feature]} at {CONTOURS[feature]}" for feature in claim.features)
    others = [feature for feature in CONTOURS if kerf.claim(feature) is None]
    alone = "".join(f" alone, since no {other} size was measured" for other in others)
    return (
        f"{_started(name)}{come_out} (between {low:.3f} and {high:.3f} mm, {_confidently(how)}): move the path by half "
        f"of that, {abs(path):.3f} mm, {towards}: {where}{alone}"
    )


def _confidently(how: How) -> str:
    return f"{100 * how.confidence:g} % confidence"


def _look(name: str, kerf: Kerf) -> Iterator[str]:
    """What no path mends."""
    start, scale = _started(name), kerf.scale
    if kerf.several:
        return
    if kerf.difference_is_told and (too := off_alike(kerf)):
        yield (
            f"{start}outside and inside sizes are both too {too}, which no kerf makes: look at how they are "
            "measured, and at the program"
        )
    elif kerf.difference_is_told and kerf.sides_differ and (apart := kerf.difference) is not None:
        low, high = sorted((abs(apart.low or 0.0), abs(apart.high or 0.0)))
        each = ", ".join(f"{CONTOURS[claim.features[0]]}: {_WORDS[claim.advice]}" for claim in kerf.claims)
        yield (
            f"{start}outside and inside sizes are not off by the same ({abs(apart.mean or 0.0):.3f} mm apart, between "
            f"{low:.3f} and {high:.3f} mm), which no kerf makes: each side by its own figure ({each}); look at how "
            "they are measured, and at the program"
        )
    if (warm := kerf.warm_k) is not None and scale.mean is not None:
        why = (
            f"as those of a plate do that was cut {warm:.2g} K warmer than it was measured"
            if warm > 0
            else "which no warm plate does: look at the scale of machine, program and gauge"
        )
        grow = "shrink" if scale.mean < 0 else "grow"
        yield f"{start}sizes {grow} by {abs(scale.mean):.3g} mm per m of length, {why}"


_WORDS: Final[Mapping[str, str]] = {
    MOVE: "move the path", LEAVE: "leave it as it is", MORE: "measure more", LOOK: "look", DIVIDE: "divide",
}  # fmt: skip


def _nothing_due(groups: Sequence[tuple[str, Kerf]]) -> Iterator[str]:
    """Groups whose path is left alone, and why: named when it is one, else counted."""
    advised = [(name, kerf, {claim.advice for claim in kerf.claims}) for name, kerf in groups]
    mixed = [(name, kerf) for name, kerf, advice in advised if advice == {DIVIDE}]
    if mixed:
        by = ", ".join(sorted({dimension for _, kerf in mixed for dimension in kerf.several}, reverse=True))
        yield f"{_one_or_many(mixed)}a kerf goes with thickness and recipe: no path is advised; divide by {by} too"
    leave = [(name, kerf) for name, kerf, advice in advised if advice == {LEAVE}]
    if leave:
        within = f"{max(claim.small_mm for _, kerf in leave for claim in kerf.claims):.3g} mm"
        yield (
            f"{_one_or_many(leave)}the whole interval of the offset is within a tenth of the tolerance, or "
            f"{SMALL_MM:g} mm where there is none (here {within} at most): leave the path as it is"
        )
    alone = [(name, kerf) for name, kerf in groups if any(map(_shows_on_one_plate, kerf.claims))]
    if alone:
        on = next(claim.on for _, kerf in alone for claim in kerf.claims if _shows_on_one_plate(claim))
        yield (
            f"{_one_or_many(alone)}an offset shows, but on {on if len(alone) == 1 else 'one plate'} alone: measure on "
            "another plate before the path is moved"
        )
    more = [
        (name, kerf)
        for name, kerf, advice in advised
        if MORE in advice and not any(map(_shows_on_one_plate, kerf.claims))
    ]
    if more:
        shown = sum(1 for _, kerf in more if any(c.advice == MORE and c.found.excludes_zero for c in kerf.claims))
        by_chance = f"; {counted(shown, 'offset', '')} would stand out alone, but so many groups bring that by chance"
        yield (
            f"{_one_or_many(more)}too few plates to tell an offset from none: measure more, on other plates, before "
            f"the path is moved{by_chance if shown else ''}"
        )


def _shows_on_one_plate(claim: Claim) -> bool:
    return claim.advice == MORE and claim.found.excludes_zero and claim.plates.number < LEAST_PLATES


def _one_or_many(groups: Sequence[tuple[str, Kerf]]) -> str:
    return _started(groups[0][0]) if len(groups) == 1 else f"{len(groups)} groups: "
