"""From a wish to price lines: the one function that the request page, staff and invoices all stand on."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal

from django.db import transaction
from django.db.models import Q

from studio import invoicing, money, records
from studio.errors import AlreadyIssued
from studio.models import Agency, Booking, BookingLine, Business, PriceItem, PriceList, TaxRate, User
from studio.travel import Place, Point, Roads

Kind = PriceItem.Kind
CHOSEN = (Kind.EXTRA, Kind.PER_ROOM, Kind.RUSH)


@dataclass(frozen=True)
class Wish:
    """What is wanted, as far as it decides the price; `distance_km` is one way, by road, None: not known.

    Then `zone_fee_minor` may say what the way costs by the zones; `travel_words` what either stands on.
    """

    price_list: PriceList
    floor_area_m2: int | None = None
    bedrooms: int = 2
    bathrooms: int = 1
    extras: frozenset[str] = frozenset()
    distance_km: float | None = None
    zone_fee_minor: int | None = None
    zone_name: str = ""
    travel_words: str = ""
    prices_include_tax: bool = False
    travel_free_km: int = 0
    shortest_minutes: int = 0


@dataclass(frozen=True)
class Line:
    """One price line, ready to be shown, added up and kept."""

    code: str
    description: str
    quantity: Decimal
    unit_minor: int
    tax_name: str
    tax_percent: Decimal
    tax_category: str
    minutes: int = 0
    pictures: int = 0

    @property
    def amount_minor(self) -> int:
        return money.line_amount_minor(self.quantity, self.unit_minor)


@dataclass(frozen=True)
class Quote:
    """What a wish comes to."""

    lines: tuple[Line, ...]
    totals: money.Totals
    minutes: int
    pictures: int
    remarks: tuple[str, ...] = field(default=())

    @property
    def net_minor(self) -> int:
        return self.totals.net_minor

    @property
    def tax_minor(self) -> int:
        return self.totals.tax_minor

    @property
    def total_minor(self) -> int:
        return self.totals.total_minor


def price_list_for(agency: Agency | None, *, on: dt.date) -> PriceList | None:
    """Return the list that holds on this day: the agency's own if it has one, else everyone's newest."""
    holds = PriceList.objects.filter(Q(valid_to=None) | Q(valid_to__gte=on), valid_from__lte=on)
    if agency and (own := holds.filter(agency=agency).first()):
        return own
    return holds.filter(agency=None).first()


def quote_for(
    prices: PriceList | None,
    business: Business,
    *,
    extras: Iterable[str],
    point: Point | None,
    postcode: str,
    floor_area_m2: int | None,
    bedrooms: int | None,
    bathrooms: int | None,
) -> Quote:
    """Quote by the business's habits; without a price list there are no lines, and staff write them."""
    if prices is None:
        return Quote((), money.add_up(()), business.shortest_visit_minutes, 0)
    roads, here, there = Roads.of(business), Place.start_of(business), Place(point, postcode)
    leg = roads.zone_leg(here, there)
    return quote(
        Wish(
            price_list=prices,
            floor_area_m2=floor_area_m2,
            bedrooms=2 if bedrooms is None else bedrooms,
            bathrooms=1 if bathrooms is None else bathrooms,
            extras=frozenset(extras),
            distance_km=roads.road_km(here, there),
            zone_fee_minor=leg.fee_minor if leg else None,
            zone_name=leg.goal.name if leg else "",
            travel_words=roads.basis(here, there),
            prices_include_tax=business.prices_include_tax,
            travel_free_km=business.travel_free_km,
            shortest_minutes=business.shortest_visit_minutes,
        )
    )


def quote(wish: Wish) -> Quote:
    """Build the price lines of a wish: base by area, what was chosen, travel; tax once per rate."""
    items = list(wish.price_list.items.select_related("tax_rate"))
    lines: list[Line] = []
    remarks: list[str] = []
    if base := base_item(items, wish.floor_area_m2):
        lines.append(_line(base))
        if wish.floor_area_m2 is None and base.area_to_m2:
            remarks.append("Without the floor area this is the price of the smallest home.")
    for item in items:
        if item.kind in CHOSEN and item.is_offered and item.code in wish.extras:
            rooms = wish.bedrooms + wish.bathrooms + 1  # and the living room
            lines.append(_line(item, times=rooms if item.kind == Kind.PER_ROOM else 1))
        elif item.kind == Kind.TRAVEL and item.is_offered:
            lines.extend(_travel_lines(item, wish))
            if wish.travel_words and wish.travel_words not in remarks:
                remarks.append(wish.travel_words)
    minutes = max(sum(line.minutes for line in lines), wish.shortest_minutes)
    return Quote(
        lines=tuple(lines),
        totals=money.add_up(lines, prices_include_tax=wish.prices_include_tax),
        minutes=minutes,
        pictures=sum(line.pictures for line in lines),
        remarks=tuple(remarks),
    )


def _travel_lines(item: PriceItem, wish: Wish) -> list[Line]:
    """Return what the way costs: by the distance when that is known, else the fee of the zones."""
    if wish.distance_km is not None:
        beyond_km = math.ceil(wish.distance_km - wish.travel_free_km)
        return [_line(item, times=beyond_km)] if beyond_km > 0 else []
    if not wish.zone_fee_minor:
        return []
    return [replace(_line(item), description=f"Travel: {wish.zone_name}", unit_minor=wish.zone_fee_minor)]


def base_item(items: Sequence[PriceItem], floor_area_m2: int | None) -> PriceItem | None:
    """Return the base line of this area: from its lower bound up to, not including, its upper one."""
    bands = sorted(
        (item for item in items if item.kind == Kind.BASE and item.is_offered),
        key=lambda item: item.area_from_m2 or 0,
    )
    if not bands:
        return None
    if floor_area_m2 is None:
        return bands[0]
    for item in bands:
        if floor_area_m2 >= (item.area_from_m2 or 0) and (
            item.area_to_m2 is None or floor_area_m2 < item.area_to_m2
        ):
            return item
    return bands[-1]


def write_lines(booking: Booking, lines: Sequence[Line]) -> None:
    """Put the quoted lines on the booking, in place of what stood there."""
    booking.lines.all().delete()
    BookingLine.objects.bulk_create(
        BookingLine(
            booking=booking,
            position=position,
            code=line.code,
            description=line.description,
            quantity=line.quantity,
            unit_minor=line.unit_minor,
            tax_name=line.tax_name,
            tax_percent=line.tax_percent,
            tax_category=line.tax_category,
            minutes=line.minutes,
        )
        for position, line in enumerate(lines)
    )


def may_edit_lines(booking: Booking) -> bool:
    """Say whether lines may still change: not while an invoice stands, nor when all is over unbilled.

    A wholly credited invoice frees them, so that the right one can follow; a called-off booking's may change,
    so that the fee can be billed that the terms name.
    """
    if booking.invoices.exists():
        return invoicing.standing_invoice(booking) is None
    return booking.state != Booking.State.CLOSED


def add_line(
    booking: Booking,
    *,
    description: str,
    quantity: Decimal,
    unit_minor: int,
    tax_rate: TaxRate,
    by: User,
    now: dt.datetime,
) -> BookingLine:
    """Add a line by hand, as long as nothing is invoiced."""
    with transaction.atomic():
        _check_may_edit(booking)
        last = booking.lines.order_by("-position").first()
        line = BookingLine.objects.create(
            booking=booking,
            position=last.position + 1 if last else 0,
            description=description,
            quantity=quantity,
            unit_minor=unit_minor,
            tax_name=tax_rate.name,
            tax_percent=tax_rate.percent,
            tax_category=tax_rate.category,
        )
        records.note("added a price line", booking=booking, user=by, now=now, description=description)
    return line


def remove_line(booking: Booking, line: BookingLine, *, by: User, now: dt.datetime) -> None:
    """Take a line away, as long as nothing is invoiced."""
    with transaction.atomic():
        _check_may_edit(booking)
        records.note(
            "took a price line away", booking=booking, user=by, now=now,
            description=line.description, unit_minor=line.unit_minor,
        )  # fmt: skip
        line.delete()


def _check_may_edit(booking: Booking) -> None:
    """Wait for whoever is billing the booking now, then look; in the caller's transaction."""
    booking = Booking.objects.select_for_update().get(pk=booking.pk)
    if not may_edit_lines(booking):
        raise AlreadyIssued(
            "These lines are invoiced or the booking is over; they stay as they are. Once a credit note has "
            "taken the whole invoice back, they can be changed and billed again."
        )


def totals_of(booking: Booking) -> money.Totals:
    """Add up the lines that stand on a booking."""
    return money.add_up(booking.lines.all(), prices_include_tax=Business.current().prices_include_tax)


def as_json(lines: Sequence[Line]) -> list[dict[str, str | int]]:
    """Return the lines as plain values, to be kept with a request."""
    return [
        {
            "code": line.code,
            "description": line.description,
            "quantity": str(line.quantity),
            "unit_minor": line.unit_minor,
            "tax_name": line.tax_name,
            "tax_percent": str(line.tax_percent),
            "tax_category": line.tax_category,
            "minutes": line.minutes,
            "pictures": line.pictures,
        }
        for line in lines
    ]


def from_json(rows: Sequence[dict[str, str | int]]) -> list[Line]:
    """Return the lines that `as_json` kept."""
    return [
        Line(
            code=str(row["code"]),
            description=str(row["description"]),
            quantity=Decimal(str(row["quantity"])),
            unit_minor=int(row["unit_minor"]),
            tax_name=str(row["tax_name"]),
            tax_percent=Decimal(str(row["tax_percent"])),
            tax_category=str(row["tax_category"]),
            minutes=int(row["minutes"]),
            pictures=int(row["pictures"]),
        )
        for row in rows
    ]


def _line(item: PriceItem, *, times: int = 1) -> Line:
    return Line(
        code=item.code,
        description=item.name,
        quantity=Decimal(times),
        unit_minor=item.amount_minor,
        tax_name=item.tax_rate.name,
        tax_percent=item.tax_rate.percent,
        tax_category=item.tax_rate.category,
        minutes=item.minutes * times,
        pictures=item.pictures * times,
    )
