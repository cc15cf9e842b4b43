"""What the owner publishes: price lists, terms in versions, days off."""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.db.models import Max

from studio import diary
from studio.models import Booking, Business, DayOff, PriceItem, PriceList, Terms


def keep_price_list(prices: PriceList, *, lines_of: PriceList | None = None) -> PriceList:
    """Save a price list; a new one may start with the lines of another."""
    with transaction.atomic():
        prices.save()
        if lines_of is not None:
            copies = list(lines_of.items.all())
            for item in copies:
                item.pk, item.price_list = None, prices
            PriceItem.objects.bulk_create(copies)
    return prices


def publish_terms(terms: Terms, *, now: dt.datetime) -> Terms:
    """Give the terms the next version; earlier ones stay with their bookings."""
    with transaction.atomic():
        Business.objects.select_for_update().get(pk=1)  # of two at once, the second gets the next number
        last = Terms.objects.aggregate(last=Max("version"))["last"] or 0
        terms.version, terms.published_at = last + 1, now
        terms.save()
    return terms


def visits_on(off: DayOff, *, now: dt.datetime) -> int:
    """Count the visits that lie on days off."""
    zone = Business.current().zone
    begin = diary.at(off.first_on, dt.time(0), zone)
    end = diary.at(off.last_on + dt.timedelta(days=1), dt.time(0), zone)
    rows = Booking.objects.in_the_diary(now).between(begin, end)
    return (rows.of(off.photographer) if off.photographer else rows).count()
