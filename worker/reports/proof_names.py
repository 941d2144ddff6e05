"""Names of what is to be proven, under all the keys that cuts since the plan may have it under. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from worker.naming import name_key
from worker.sites import Settings, SiteCalendar


@dataclass
class Names:
    """Names through the aliases of a site.

    A cut keeps the key that the aliases of its day gave it. Aliases that came, went or changed since the plan must not
    take cuts away from it, or a proof that has passed would be undone by a change of words. So whatever the aliases of
    any day since the plan take for one are one here, in either direction and over several steps.
    """

    calendar: SiteCalendar
    _alike: dict[tuple[str, int], dict[str, frozenset[str]]] = field(default_factory=dict)

    def keys(self, kind: str, name: str, *, since_us: int) -> frozenset[str]:
        """Keys of a name on any day since the moment."""
        key, first = name_key(name), self.calendar.versions.index(self.calendar.place(since_us).settings)
        if (kind, first) not in self._alike:
            self._alike[kind, first] = _alike(kind, self.calendar.versions[first:])
        return self._alike[kind, first].get(key, frozenset((key,)))


def _alike(kind: str, versions: Iterable[Settings]) -> dict[str, frozenset[str]]:
    """Key -> all keys that are one with it, itself inside; those without an alias are left out."""
    one_with: dict[str, set[str]] = defaultdict(set)
    for version in versions:
        for alias in version.values["aliases"]:
            if alias["kind"] == kind:
                for also in (alias["name"], *(alias.get("also") or ())):
                    key = name_key(also)
                    # Of two aliases that claim one name, that which counts
                    counted = version.name_and_key(kind, also)[1] or key
                    one_with[key].add(counted)
                    one_with[counted].add(key)
    found: dict[str, frozenset[str]] = {}
    for key in sorted(one_with):
        if key not in found:
            whole = _reached(key, one_with)
            found |= dict.fromkeys(whole, whole)
    return found


def _reached(key: str, one_with: dict[str, set[str]]) -> frozenset[str]:
    reached, unseen = {key}, [key]
    while unseen:
        new = one_with[unseen.pop()] - reached
        reached |= new
        unseen += new
    return frozenset(reached)
