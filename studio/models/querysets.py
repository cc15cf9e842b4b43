"""Questions about many bookings at once."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from django.db import models
from django.db.models import Q

if TYPE_CHECKING:
    from .bookings import Booking  # noqa: F401 (named in the class line)
    from .people import User


class BookingQuerySet(models.QuerySet["Booking"]):
    """Bookings, as lists and the diary ask for them."""

    def with_people(self) -> BookingQuerySet:
        return self.select_related("home", "client__agency", "photographer")

    def waiting(self) -> BookingQuerySet:
        """Those that somebody here has to answer."""
        return self.filter(state="asked").order_by("created_at")

    def in_the_diary(self, now: dt.datetime) -> BookingQuerySet:
        """Those that keep their time: not called off, no hold that ran out."""
        return (
            self.exclude(starts_at=None)
            .exclude(state="called_off")
            .exclude(Q(state="held") & Q(held_until__lte=now))
        )

    def between(self, begin: dt.datetime, end: dt.datetime) -> BookingQuerySet:
        return self.filter(starts_at__gte=begin, starts_at__lt=end).order_by("starts_at")

    def of(self, photographer: User) -> BookingQuerySet:
        return self.filter(photographer=photographer)

    def matching(self, words: str) -> BookingQuerySet:
        """Those in which every word is found: number, street, town, postcode, client, agency."""
        rows = self
        for word in words.split():
            number = word[1:] if word[:1] in "Bb" else word
            match = (
                Q(home__street__icontains=word)
                | Q(home__city__icontains=word)
                | Q(home__postcode__icontains=word)
                | Q(client__name__icontains=word)
                | Q(client__email__icontains=word)
                | Q(client__agency__name__icontains=word)
            )
            if number.isdigit() and len(number) < 10:
                match |= Q(pk=int(number))
            rows = rows.filter(match)
        return rows
