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
from worker.sentences import counted, figure, joined, sentence

MOST_ADVICE: Final = 20


def names_of(groups: Sequence[Mapping[str, Any]]) -> list[str]:
    """What each group is called; dimensions that no group knows are not named."""
    known = [label for label in (groups[0] if groups else ()) if any(where[label] is not None for where in groups)]
    if not known:
        return ["" for _ in groups]
    return [joined(", ", (_called(label, where[label]) for label in known)) for where in groups]


#: What a group is called by a dimension that it does not know.
_NOT_KNOWN: Final[Mapping[str, str]] = {
    "machine": sentence("machine not known"),
    "thickness_mm": sentence("thickness not known"),
    "recipe": sentence("recipe not known"),
}


def _called(label: str, value: Any) -> str:
    if value is None:
        return _NOT_KNOWN.get(label) or sentence("%(dimension)s not known", dimension=label.removesuffix("_mm"))
    return sentence("%(thickness)s mm", thickness=figure(value, "g")) if label == "thickness_mm" else str(value)


def advice_of(groups: Sequence[tuple[str, Kerf]], how: How) -> list[str]:
    """What is due, the largest first; what else is to be looked at; then, as counts, where nothing is to be done."""
    due = [
        (-abs(path), name, _move(name, claim, kerf, how))
        for name, kerf in groups
        for claim in kerf.claims
        if (path := claim.path_towards_part_mm) is not None
    ]
    said = [advice for _, _, advice in sorted(due)]
    said += [advice for name, kerf in groups for advice in _look(name, kerf)]
    more = len(said) - MOST_ADVICE
    return [*said[:MOST_ADVICE], *([_more_said(more)] if more > 0 else []), *_nothing_due(groups)]


def _more_said(more: int) -> str:
    return counted(
        more,
        "and %(count)s sentence more of that kind: the rows tell all",
        "and %(count)s sentences more of that kind: the rows tell all",
    )


def _placed(name: str, advice: str) -> str:
    """What is said of a group, behind its name if it has one."""
    return sentence("%(group)s: %(advice)s", group=name, advice=advice) if name else advice


def _move(name: str, claim: Claim, kerf: Kerf, how: How) -> str:
    """What is due, so that nobody can take it for its opposite."""
    offset, path = claim.found, claim.path_towards_part_mm or 0.0
    low, high = sorted((abs(offset.low or 0.0), abs(offset.high or 0.0)))
    move = _path_moved(claim, path)
    if kerf.claim("outside") is None:
        move = sentence("%(move)s alone, since no outside size was measured", move=move)
    if kerf.claim("inside") is None:
        move = sentence("%(move)s alone, since no inside size was measured", move=move)
    advice = sentence(
        "%(sizes)s (between %(low)s and %(high)s mm, %(confidence)s %% confidence): %(move)s",
        sizes=_come_out(claim, path),
        low=figure(low, ".3f"),
        high=figure(high, ".3f"),
        confidence=figure(100 * how.confidence, "g"),
        move=move,
    )
    return _placed(name, advice)


def _come_out(claim: Claim, path: float) -> str:
    """How sizes come out, which the path towards the part mends."""
    off, is_due_inward = figure(2 * abs(path), ".3f"), path > 0
    if claim.features == ("outside",):
        if is_due_inward:
            return sentence("outside sizes come out %(off)s mm too large", off=off)
        return sentence("outside sizes come out %(off)s mm too small", off=off)
    if claim.features == ("inside",):
        if is_due_inward:
            return sentence("inside sizes come out %(off)s mm too small", off=off)
        return sentence("inside sizes come out %(off)s mm too large", off=off)
    if is_due_inward:
        return sentence("outside sizes come out %(off)s mm too large, inside ones as much too small", off=off)
    return sentence("outside sizes come out %(off)s mm too small, inside ones as much too large", off=off)


def _path_moved(claim: Claim, path: float) -> str:
    """Where the path goes: at outside contours towards the part is inward, at holes outward."""
    by, is_towards_part = figure(abs(path), ".3f"), path > 0
    if claim.features == ("outside",):
        if is_towards_part:
            return sentence(
                "move the path by half of that, %(path)s mm, towards the part: inward at outside contours", path=by
            )
        return sentence(
            "move the path by half of that, %(path)s mm, away from the part: outward at outside contours", path=by
        )
    if claim.features == ("inside",):
        if is_towards_part:
            return sentence("move the path by half of that, %(path)s mm, towards the part: outward at holes", path=by)
        return sentence("move the path by half of that, %(path)s mm, away from the part: inward at holes", path=by)
    if is_towards_part:
        return sentence(
            "move the path by half of that, %(path)s mm, towards the part: inward at outside contours, outward at "
            "holes",
            path=by,
        )
    return sentence(
        "move the path by half of that, %(path)s mm, away from the part: outward at outside contours, inward at holes",
        path=by,
    )


def _look(name: str, kerf: Kerf) -> Iterator[str]:
    """What no path mends."""
    scale = kerf.scale
    if kerf.several:
        return
    if kerf.difference_is_told and (too := off_alike(kerf)):
        yield _placed(name, _TOO_LARGE if too == "large" else _TOO_SMALL)
    elif kerf.difference_is_told and kerf.sides_differ and (apart := kerf.difference) is not None:
        low, high = sorted((abs(apart.low or 0.0), abs(apart.high or 0.0)))
        each = (
            sentence("%(contours)s: %(advice)s", contours=CONTOURS[claim.features[0]], advice=_WORDS[claim.advice])
            for claim in kerf.claims
        )
        advice = sentence(
            "outside and inside sizes are not off by the same (%(apart)s mm apart, between %(low)s and %(high)s mm), "
            "which no kerf makes: each side by its own figure (%(each)s); look at how they are measured, and at the "
            "program",
            apart=figure(abs(apart.mean or 0.0), ".3f"),
            low=figure(low, ".3f"),
            high=figure(high, ".3f"),
            each=joined(", ", each),
        )
        yield _placed(name, advice)
    if (warm := kerf.warm_k) is not None and scale.mean is not None:
        yield _placed(name, _scaled(abs(scale.mean), warm))


def _scaled(mm_per_m: float, warm_k: float) -> str:
    by = figure(mm_per_m, ".3g")
    if warm_k > 0:
        return sentence(
            "sizes shrink by %(scale)s mm per m of length, as those of a plate do that was cut %(warm)s K warmer than "
            "it was measured",
            scale=by,
            warm=figure(warm_k, ".2g"),
        )
    return sentence(
        "sizes grow by %(scale)s mm per m of length, which no warm plate does: look at the scale of machine, program "
        "and gauge",
        scale=by,
    )


_TOO_LARGE: Final = sentence(
    "outside and inside sizes are both too large, which no kerf makes: look at how they are measured, and at the "
    "program"
)
_TOO_SMALL: Final = sentence(
    "outside and inside sizes are both too small, which no kerf makes: look at how they are measured, and at the "
    "program"
)
_WORDS: Final[Mapping[str, str]] = {
    MOVE: sentence("move the path"),
    LEAVE: sentence("leave it as it is"),
    MORE: sentence("measure more"),
    LOOK: sentence("look"),
    DIVIDE: sentence("divide"),
}
_DIMENSIONS: Final[Mapping[str, str]] = {"thickness": sentence("thickness"), "recipe": sentence("recipe")}


def _nothing_due(groups: Sequence[tuple[str, Kerf]]) -> Iterator[str]:
    """Groups whose path is left alone, and why: named when it is one, else counted."""
    advised = [(name, kerf, {claim.advice for claim in kerf.claims}) for name, kerf in groups]
    mixed = [(name, kerf) for name, kerf, advice in advised if advice == {DIVIDE}]
    if mixed:
        by = sorted({dimension for _, kerf in mixed for dimension in kerf.several}, reverse=True)
        said = sentence(
            "a kerf goes with thickness and recipe: no path is advised; divide by %(dimensions)s too",
            dimensions=joined(", ", (_DIMENSIONS[dimension] for dimension in by)),
        )
        yield _one_or_many(mixed, said)
    leave = [(name, kerf) for name, kerf, advice in advised if advice == {LEAVE}]
    if leave:
        said = sentence(
            "the whole interval of the offset is within a tenth of the tolerance, or %(small)s mm where there is none "
            "(here %(within)s mm at most): leave the path as it is",
            small=figure(SMALL_MM, "g"),
            within=figure(max(claim.small_mm for _, kerf in leave for claim in kerf.claims), ".3g"),
        )
        yield _one_or_many(leave, said)
    alone = [(name, kerf) for name, kerf in groups if any(map(_shows_on_one_plate, kerf.claims))]
    if alone:
        yield _one_or_many(alone, _shows_alone([kerf for _, kerf in alone]))
    more = [
        (name, kerf)
        for name, kerf, advice in advised
        if MORE in advice and not any(map(_shows_on_one_plate, kerf.claims))
    ]
    if more:
        yield _one_or_many(more, _too_few_plates([kerf for _, kerf in more]))


def _shows_on_one_plate(claim: Claim) -> bool:
    return claim.advice == MORE and claim.found.excludes_zero and claim.plates.number < LEAST_PLATES


def _shows_alone(kerfs: Sequence[Kerf]) -> str:
    if len(kerfs) > 1:
        return sentence(
            "an offset shows, but on one plate alone: measure on another plate before the path is moved",
        )
    on = next(claim.on for kerf in kerfs for claim in kerf.claims if _shows_on_one_plate(claim))
    return sentence(
        "an offset shows, but on %(place)s alone: measure on another plate before the path is moved", place=on
    )


def _too_few_plates(kerfs: Sequence[Kerf]) -> str:
    said = sentence(
        "too few plates to tell an offset from none: measure more, on other plates, before the path is moved"
    )
    shown = sum(1 for kerf in kerfs if any(c.advice == MORE and c.found.excludes_zero for c in kerf.claims))
    if not shown:
        return said
    by_chance = counted(
        shown,
        "%(count)s offset would stand out alone, but so many groups bring that by chance",
        "%(count)s offsets would stand out alone, but so many groups bring that by chance",
    )
    return joined("; ", [said, by_chance])


def _one_or_many(groups: Sequence[tuple[str, Kerf]], advice: str) -> str:
    """Advice for one group, by its name, or for so many."""
    if len(groups) == 1:
        return _placed(groups[0][0], advice)
    return sentence("%(groups)s groups: %(advice)s", groups=len(groups), advice=advice)
