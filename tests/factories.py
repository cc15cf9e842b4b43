"""Rows for tests: plain functions that make one valid thing, changed as the test says.

The scenario is the demo's invented one: the town Harrowmere, the agency Tansy & Rook, the business
Plumb & Lantern. Add yours at the end of the file; the listings' own are in tests/listings/factories.py.
"""

from __future__ import annotations

import datetime as dt
import itertools
from decimal import Decimal
from typing import Any

from studio.models import (
    Agency,
    Booking,
    BookingLine,
    Business,
    Client,
    OpeningHours,
    PriceItem,
    PriceList,
    Property,
    TaxRate,
    Terms,
    User,
)

# A Wednesday morning in summer time; the clock of most tests.
NOW = dt.datetime(2027, 6, 2, 8, 0, tzinfo=dt.UTC)
PASSWORD = "plumb-line-and-lantern"

_count = itertools.count(1)


def make_business(**changed: Any) -> Business:
    values: dict[str, Any] = {
        "name": "Plumb & Lantern",
        "email": "studio@plumb-lantern.example",
        "phone": "555-0142",
        "address": "4 Chandler's Row\nHarrowmere",
        "country_code": "GB",
        "currency": "EUR",
        "time_zone": "Europe/London",
        "set_up_at": NOW,
    }
    business, _ = Business.objects.update_or_create(pk=1, defaults=values | changed)
    return business


def make_user(**changed: Any) -> User:
    n = next(_count)
    values: dict[str, Any] = {"email": f"staff{n}@plumb-lantern.example", "name": f"Staff {n}"}
    return User.objects.create_user(password=PASSWORD, **(values | changed))


def make_owner(**changed: Any) -> User:
    return make_user(**({"name": "Odile Marsh", "role": User.Role.OWNER} | changed))


def make_photographer(**changed: Any) -> User:
    return make_user(**({"name": "Piet Larch", "role": User.Role.PHOTOGRAPHER} | changed))


def make_editor(**changed: Any) -> User:
    return make_user(**({"name": "Ede Quill", "role": User.Role.EDITOR} | changed))


def make_agency(**changed: Any) -> Agency:
    values: dict[str, Any] = {
        "name": f"Tansy & Rook {next(_count)}",
        "billing_email": "accounts@tansy-rook.example",
        "billing_address": "12 Wharf Street\nHarrowmere",
    }
    return Agency.objects.create(**(values | changed))


def make_client(**changed: Any) -> Client:
    values: dict[str, Any] = {
        "name": "Cleo Tansy",
        "email": f"agent{next(_count)}@tansy-rook.example",
        "phone": "555-0118",
    }
    return Client.objects.create(**(values | changed))


def make_home(**changed: Any) -> Property:
    values: dict[str, Any] = {
        "street": f"{next(_count)} Millpond Lane",
        "city": "Harrowmere",
        "postcode": "HM4 2",
        "floor_area_m2": 95,
        "bedrooms": 3,
        "bathrooms": 2,
        "floors": 2,
    }
    return Property.objects.create(**(values | changed))


def make_tax_rate(**changed: Any) -> TaxRate:
    values: dict[str, Any] = {"percent": Decimal(20), "category": "S"}
    values |= changed
    rate, _ = TaxRate.objects.get_or_create(name=values.pop("name", "VAT"), defaults=values)
    return rate


def make_price_list(**changed: Any) -> PriceList:
    """A list with three area bands, an extra, a per-room extra, travel, rush and a fee."""
    rate = changed.pop("tax_rate", None) or make_tax_rate()
    values: dict[str, Any] = {"name": "Prices", "valid_from": dt.date(2027, 1, 1)}
    prices = PriceList.objects.create(**(values | changed))
    kind = PriceItem.Kind
    rows: list[tuple[str, str, str, int, dict[str, Any]]] = [
        (
            "base-80",
            "Pictures of a home up to 80 m²",
            kind.BASE,
            16000,
            {"area_from_m2": 0, "area_to_m2": 80, "minutes": 60, "pictures": 20},
        ),
        (
            "base-140",
            "Pictures of a home up to 140 m²",
            kind.BASE,
            21000,
            {"area_from_m2": 80, "area_to_m2": 140, "minutes": 90, "pictures": 28},
        ),
        (
            "base-large",
            "Pictures of a home over 140 m²",
            kind.BASE,
            28000,
            {"area_from_m2": 140, "area_to_m2": None, "minutes": 120, "pictures": 40},
        ),
        ("outside", "Outside pictures", kind.EXTRA, 4500, {"minutes": 20, "pictures": 5}),
        ("details", "Detail pictures", kind.PER_ROOM, 800, {"minutes": 3, "pictures": 1}),
        ("travel", "Travel beyond the free distance", kind.TRAVEL, 60, {}),
        ("rush", "Delivery the same day", kind.RUSH, 6000, {}),
        ("no-access", "No access at the agreed time", kind.FEE, 7500, {"is_offered": False}),
    ]
    for position, (code, name, item_kind, amount_minor, more) in enumerate(rows):
        PriceItem.objects.create(
            price_list=prices, code=code, name=name, kind=item_kind, amount_minor=amount_minor,
            tax_rate=rate, position=position, **more,
        )  # fmt: skip
    return prices


def make_terms(**changed: Any) -> Terms:
    values: dict[str, Any] = {"version": next(_count), "text": "Visits can be moved until the day before."}
    return Terms.objects.create(**(values | changed))


def make_opening_hours(weekdays: range = range(5), **changed: Any) -> list[OpeningHours]:
    values: dict[str, Any] = {"opens": dt.time(9), "closes": dt.time(17)}
    return [OpeningHours.objects.create(weekday=day, **(values | changed)) for day in weekdays]


def make_booking(**changed: Any) -> Booking:
    """An agreed booking for the next day at ten, ninety minutes, with one line; lines=() for none."""
    lines = changed.pop("lines", None)
    starts_at = changed.pop("starts_at", NOW + dt.timedelta(days=1, hours=2))
    values: dict[str, Any] = {
        "state": Booking.State.AGREED,
        "starts_at": starts_at,
        "ends_at": starts_at + dt.timedelta(minutes=90) if starts_at else None,
        "created_at": NOW,
    }
    values |= changed
    values.setdefault("home", None)
    values["home"] = values["home"] or make_home()
    values["client"] = values.get("client") or make_client()
    if "photographer" not in values:
        values["photographer"] = make_photographer()
    booking = Booking.objects.create(**values)
    if lines is None:
        lines = [{"description": "Pictures of a home up to 140 m²", "unit_minor": 21000, "minutes": 90}]
    for position, line in enumerate(lines):
        add_line(booking, position=position, **line)
    return booking


def add_line(booking: Booking, **changed: Any) -> BookingLine:
    values: dict[str, Any] = {
        "description": "Pictures",
        "unit_minor": 10000,
        "tax_name": "VAT",
        "tax_percent": Decimal(20),
        "tax_category": "S",
    }
    return BookingLine.objects.create(booking=booking, **(values | changed))


def sign_in_client(browser: Any, client: Client) -> None:
    """Sign an agent in on Django's test client, as the button behind a mailed link does."""
    session = browser.session
    session["client"] = str(client.public_id)
    session.save()
