"""Keeping a time for a short while for an agent who is filling in a request.

Only a confirmed mail address can have a time kept: that of an agent who is signed in by a mailed link. What a
stranger asks for takes no time until the link is pressed. Two holds an address at once, limits by address and
by network a day, and each ends by itself; all these figures are the owner's.
"""

from __future__ import annotations

import datetime as dt
from uuid import UUID

from django.db import transaction

from studio import diary, limits
from studio.models import Business, Client, Hold, Property

DAY_S = 24 * 3600


def keep(
    client: Client,
    home: Property,
    starts_at: dt.datetime,
    *,
    minutes: int,
    asked_from: str,
    now: dt.datetime,
    in_place_of: UUID | None = None,
) -> Hold | None:
    """Keep this time for the client; `in_place_of` is the hold that the same page had before.

    The same time again is kept no longer than it was. Returns None when the client may have no more
    holds now: the time can still be asked for. Raises NotFree when someone else has it.
    """
    business = Business.current()
    with transaction.atomic():
        # The client's row is the lock for counting: two pages of one agent wait for each other.
        Client.objects.select_for_update().get(pk=client.pk)
        live = list(Hold.objects.filter(client=client, held_until__gt=now))
        mine = next((hold for hold in live if hold.public_id == in_place_of), None)
        length = dt.timedelta(minutes=minutes)
        if mine is not None and (mine.starts_at, mine.ends_at) == (starts_at, starts_at + length):
            return mine
        is_another = mine is None or mine.starts_at != starts_at
        if is_another and (
            len(live) - (mine is not None) >= business.holds_at_once
            or not _has_room(client, asked_from, business)
        ):
            if mine is not None:  # its page asks for another time now
                mine.delete()
            return None
        until = now + dt.timedelta(minutes=business.hold_minutes)
        hold = mine or Hold(client=client)
        hold.starts_at, hold.ends_at = starts_at, starts_at + length
        hold.held_until = until if is_another else hold.held_until
        hold.postcode, hold.latitude_deg, hold.longitude_deg = (
            home.postcode[:20], home.latitude_deg, home.longitude_deg
        )  # fmt: skip
        diary.keep(hold, home, now=now)
    return hold


def release(client: Client, public_id: UUID | None) -> None:
    """End the hold of a page whose request was sent."""
    if public_id is not None:
        Hold.objects.filter(client=client, public_id=public_id).delete()


def forget_ended(*, now: dt.datetime) -> int:
    """Delete holds that have ended. For the sweep."""
    return Hold.objects.filter(held_until__lte=now).delete()[0]


def _has_room(client: Client, asked_from: str, business: Business) -> bool:
    by_address = limits.has_room("hold", client.email, most=business.holds_a_day, within_s=DAY_S)
    by_network = not asked_from or limits.has_room(
        "hold-from", asked_from, most=business.holds_a_day_from_network, within_s=DAY_S
    )
    return by_address and by_network
