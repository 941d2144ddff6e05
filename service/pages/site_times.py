"""What a page says of times at a site: its zone, its running production day, its currency."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import now_us
from worker.reports.reading import Reader
from worker.sites import Place


@dataclass(frozen=True)
class SiteNow:
    """A site at the moment of asking."""

    site: str
    now_us: int
    place: Place

    @property
    def zone(self) -> ZoneInfo:
        """Its time zone."""
        return ZoneInfo(self.place.settings.zone)

    @property
    def today(self) -> date:
        """Its running production day."""
        return self.place.day

    @property
    def currency(self) -> str | None:
        """The currency of its rates; None where none are set."""
        currency: str | None = self.place.settings.values["rates"].get("currency")
        return currency


def site_now(reader: Reader) -> SiteNow:
    """The site of a reader now."""
    now = now_us()
    return SiteNow(reader.site, now, reader.calendar.place(now))


def zone_of(settings: Mapping[str, Any]) -> ZoneInfo:
    """The time zone of settings; UTC where they say none."""
    return ZoneInfo(settings.get("zone", "UTC"))
