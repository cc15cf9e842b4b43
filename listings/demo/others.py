"""Other bookings, in other states, so that no page of the demo is empty."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Sequence

from listings import operations, shotlists
from listings.demo.scenario import Cast, home
from listings.models import Shot
from studio import arranging, asking, booking_states, diary, invoicing, quoting
from studio.errors import NotFree
from studio.models import Booking, Business, Client, Property, Terms

State = Booking.State


def fill(cast: Cast, *, now: dt.datetime) -> list[Booking]:
    """Make a handful of bookings around today."""
    return [
        _overdue(cast, now=now),
        _today(cast, now=now),
        _tomorrow(cast, now=now),
        _asked(cast, now=now),
        _held(cast, now=now),
        _called_off(cast, now=now),
    ]


def _lines(client: Client, place: Property, extras: Sequence[str], *, now: dt.datetime) -> quoting.Quote:
    business = Business.current()
    return quoting.quote_for(
        quoting.price_list_for(client.agency, on=now.astimezone(business.zone).date()),
        business,
        extras=extras,
        point=place.point,
        postcode=place.postcode,
        floor_area_m2=place.floor_area_m2,
        bedrooms=place.bedrooms,
        bathrooms=place.bathrooms,
    )


def _enter(
    cast: Cast,
    client: Client,
    place: Property,
    starts_at: dt.datetime,
    *,
    extras: Sequence[str] = (),
    now: dt.datetime,
) -> Booking:
    """Write a booking down as after a telephone call; when the way is too short, a little later."""
    lines = _lines(client, place, extras, now=now).lines
    for later in range(0, 600, 30):
        try:
            return arranging.enter(
                client=client,
                home=place,
                lines=lines,
                by=cast.owner,
                now=now,
                starts_at=starts_at + dt.timedelta(minutes=later),
                photographer=cast.photographer,
            )
        except NotFree:
            place.pk = None
    raise NotFree("The demo's diary is full.")


def _clock(day: dt.date, hour: int) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(hour), Business.current().zone)


def _day(now: dt.datetime, days: int) -> dt.date:
    return now.astimezone(Business.current().zone).date() + dt.timedelta(days=days)


def _overdue(cast: Cast, *, now: dt.datetime) -> Booking:
    """Photographed and sent five weeks ago, billed, and still not paid."""
    then = now - dt.timedelta(days=36)
    place = home("3 Heron Yard", "HM1 9", north=6, east=11, floor_area_m2=120, bedrooms=3, floors=2)
    booking = _enter(cast, cast.seller, place, _clock(_day(then, 1), 10), now=then)
    at = booking.starts_at or then
    for to in (State.UNDER_WAY, State.VISITED, State.SENT):
        at += dt.timedelta(hours=1)
        booking = booking_states.move(booking, to, by=cast.photographer, now=at)
    invoicing.issue(booking, by=cast.owner, now=at + dt.timedelta(hours=4))
    return booking


def _today(cast: Cast, *, now: dt.datetime) -> Booking:
    """Today's visit, begun: some views are ticked."""
    place = home("21 Saltmarket", "HM2 2", north=-9, east=4, floor_area_m2=88, bedrooms=2, floors=2)
    booking = _enter(cast, cast.second_agent, place, _clock(_day(now, 0), 11), now=now - dt.timedelta(days=2))
    shotlists.ensure(booking)
    for number, shot in enumerate(Shot.objects.filter(room__booking=booking)[:3]):
        at = min(now, booking.starts_at or now) - dt.timedelta(minutes=10 - number)
        act = operations.Act(uuid.uuid4(), "take", at, device="demo", item=shot.public_id)
        operations.apply(booking, act, by=cast.photographer, now=now)
    return booking


def _tomorrow(cast: Cast, *, now: dt.datetime) -> Booking:
    place = home(
        "The Old Ropewalk 2",
        "HM4 5",
        north=17,
        east=-12,
        floor_area_m2=165,
        bedrooms=4,
        bathrooms=2,
        floors=2,
        front_bearing_deg=157.5,
    )
    booking = _enter(
        cast, cast.agent, place, _clock(_day(now, 1), 10), extras=("outside",), now=now - dt.timedelta(days=1)
    )
    shotlists.ensure(booking)
    return booking


def _asked(cast: Cast, *, now: dt.datetime) -> Booking:
    """A new agent's request, confirmed by the mailed link two hours ago, waiting for an answer."""
    then = now - dt.timedelta(hours=2)
    place = home("14 Lock Terrace", "HM3 6", north=-4, east=-20, floor_area_m2=95, bedrooms=3, floors=2)
    quote = _lines(cast.agent, place, ("details",), now=then)
    free = diary.free_times(home=place, minutes=quote.minutes, now=then, first_on=_day(then, 3), days=7)
    columns = ("street", "city", "postcode", "kind", "floor_area_m2", "bedrooms", "bathrooms", "floors")
    asked = asking.Asked(
        name="Nuria Vane",
        email="nuria@vane-homes.example",
        phone="020 7946 0188",
        agency="Vane Homes",
        home={
            **{name: getattr(place, name) for name in columns},
            "occupied_by": Property.Occupied.TENANT,
            "latitude_deg": place.latitude_deg,
            "longitude_deg": place.longitude_deg,
        },
        quote=quote,
        wants_outside=False,
        wanted_at=free[0].starts_at if free else None,
        terms=Terms.current(),
        wishes="A tenant lives there; she is home in the mornings.",
        access_contact="Ms Sorrel, 020 7946 0190",
    )
    return asking.confirm(asking.keep(asked, asked_from="192.0.2.44", now=then), now=then)


def _held(cast: Cast, *, now: dt.datetime) -> Booking:
    """Entered without a time, then a time proposed that the agent has not answered yet."""
    place = home(
        "8 Glebe Court, flat 5", "HM1 2", north=2, east=-5, kind="flat", floor_area_m2=58, bedrooms=1
    )
    booking = arranging.enter(
        client=cast.second_agent,
        home=place,
        lines=_lines(cast.second_agent, place, (), now=now).lines,
        by=cast.owner,
        now=now - dt.timedelta(hours=5),
    )
    minutes = diary.visit_minutes(booking, Business.current())
    free = diary.free_times(home=place, minutes=minutes, now=now, first_on=_day(now, 2), days=7)
    return arranging.propose(booking, free[0].starts_at, None, by=cast.owner, now=now - dt.timedelta(hours=4))


def _called_off(cast: Cast, *, now: dt.datetime) -> Booking:
    then = now - dt.timedelta(days=3)
    place = home(
        "5 Tollgate", "HM5 1", north=30, east=22, floor_area_m2=210, bedrooms=5, bathrooms=3, floors=3
    )
    booking = _enter(cast, cast.seller, place, _clock(_day(now, 4), 14), now=then)
    return arranging.call_off(booking, "The sale was put off.", by=cast.owner, now=now - dt.timedelta(days=1))
