"""Who tried a piece before whom: attempt numbers, retries in a circle, and the last try. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

from worker.folding import Cut

#: What raises an attempt to at least a second one: the job is a recut, or the mode says so.
LATER_MODES = ("resume", "recut")


class Standing(NamedTuple):
    """An attempt among those on its piece and retry chain."""

    attempt_no: int
    retry_of: str | None
    is_last: bool
    in_circle: bool
    wholly_good_before: str | None


def _circles(retry_of: Mapping[str, str | None]) -> set[str]:
    """Attempts whose retry_of leads back to themselves."""
    settled: set[str] = set()
    circles: set[str] = set()
    for start, target in retry_of.items():
        if target is None:
            continue
        path: dict[str, int] = {}
        at: str | None = start
        while at is not None and at in retry_of and at not in settled and at not in path:
            path[at] = len(path)
            at = retry_of[at]
        if at in path:
            circles.update(name for name, index in path.items() if index >= path[at])
        settled.update(path)
    return circles


def _chronological(cuts: Iterable[Cut]) -> list[Cut]:
    return sorted(cuts, key=lambda cut: (cut.started_us, cut.attempt))


def stand(cuts: Iterable[Cut], *, job_is_recut: Callable[[str | None], bool]) -> dict[str, Standing]:
    """Standing of each started or finished attempt among all those it shares a piece or a retry chain with.

    `cuts` hold every such relative. An attempt with retry_of is one more than that attempt (number 1 while it is not
    known); the others count by (started_at, id) on their piece.
    """
    known = {cut.attempt: cut for cut in cuts if cut.state != "unfinished"}
    stated = {name: cut.given.get("retry_of") for name, cut in known.items()}
    circles = _circles(stated)
    retry_of = {name: None if name in circles else target for name, target in stated.items()}
    on_piece: dict[str, list[Cut]] = defaultdict(list)
    for cut in known.values():
        if (key := cut.piece_key) is not None:
            on_piece[key].append(cut)
    shared = [_chronological(sharing) for sharing in on_piece.values() if len(sharing) > 1]
    numbers = _numbers(known, retry_of, _ranks(known, retry_of, shared), job_is_recut)
    followed = {cut.attempt for sharing in shared for cut in sharing[:-1]} | set(retry_of.values())
    before = _wholly_good_before(known, retry_of, shared)
    return {
        name: Standing(
            attempt_no=numbers[name],
            retry_of=target,
            is_last=name not in followed,
            in_circle=name in circles,
            wholly_good_before=before.get(name),
        )
        for name, target in retry_of.items()
    }


def _ranks(known: Mapping[str, Cut], retry_of: Mapping[str, str | None], shared: Iterable[list[Cut]]) -> dict[str, int]:
    ranks = dict.fromkeys(known, 1)
    for sharing in shared:
        firsts = [cut.attempt for cut in sharing if retry_of[cut.attempt] is None]
        ranks.update((name, rank) for rank, name in enumerate(firsts, start=1))
    return ranks


def _numbers(
    known: Mapping[str, Cut],
    retry_of: Mapping[str, str | None],
    ranks: Mapping[str, int],
    job_is_recut: Callable[[str | None], bool],
) -> dict[str, int]:
    numbers: dict[str, int] = {}
    for start in known:
        chain: list[str] = []
        at: str | None = start
        while at is not None and at in known and at not in numbers:
            chain.append(at)
            at = retry_of[at]
        for name in reversed(chain):
            target = retry_of[name]
            number = ranks[name] if target is None else numbers.get(target, 1) + 1
            given = known[name].given
            later = given.get("mode") in LATER_MODES or job_is_recut(given.get("job"))
            numbers[name] = max(number, 2) if later else number
    return numbers


def _wholly_good(cut: Cut) -> bool:
    return cut.state == "finished" and cut.good == cut.quantity


def _wholly_good_before(
    known: Mapping[str, Cut], retry_of: Mapping[str, str | None], shared: Iterable[list[Cut]]
) -> dict[str, str]:
    """For each attempt the first wholly good one that it cuts again."""
    found: dict[str, str] = {}
    for sharing in shared:
        done: str | None = None
        for cut in sharing:
            if done is not None:
                found[cut.attempt] = done
            elif _wholly_good(cut):
                done = cut.attempt
    for name, target in retry_of.items():
        if name not in found and target is not None and target in known and _wholly_good(known[target]):
            found[name] = target
    return found
