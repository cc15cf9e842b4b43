"""Who and what the demo is about: everything invented, telephone numbers from ranges kept for fiction."""

from __future__ import annotations

import dataclasses
import datetime as dt
from decimal import Decimal

from studio import set_up
from studio.models import Agency, Business, Client, OpeningHours, Property, TaxRate, User

PASSWORD = "sandbag-and-gaffer-tape"
OWNER = ("Odile Marsh", "odile@plumb-lantern.example")
PHOTOGRAPHER = ("Piet Larch", "piet@plumb-lantern.example")
EDITOR = ("Ede Quill", "ede@plumb-lantern.example")
ZONE = "Europe/London"
# Harrowmere lies in the open Atlantic, so that no real street is near it.
BASE_POINT = (49.500, -12.000)

# The files of listings/demo_files were taken on this day, so the visit takes place on it.
VISIT_ON = dt.date(2026, 11, 20)


@dataclasses.dataclass(frozen=True)
class Cast:
    """The people of the demo."""

    owner: User
    photographer: User
    editor: User
    agent: Client
    second_agent: Client
    seller: Client


def people_the_house(*, now: dt.datetime) -> Cast:
    """Make the business as its owner would: set-up page first, then the settings."""
    TaxRate.objects.create(name="VAT", percent=Decimal(20), category="S")
    owner = set_up.make_first_owner(
        name=OWNER[0],
        email=OWNER[1],
        password=PASSWORD,
        business_name="Plumb & Lantern",
        currency="EUR",
        time_zone=ZONE,
        now=now,
    )
    photographer = User.objects.create_user(
        PHOTOGRAPHER[1], PASSWORD, name=PHOTOGRAPHER[0], role=User.Role.PHOTOGRAPHER, phone="020 7946 0143"
    )
    editor = User.objects.create_user(EDITOR[1], PASSWORD, name=EDITOR[0], role=User.Role.EDITOR)
    _settle_business()
    tansy = Agency.objects.create(
        name="Tansy & Rook",
        billing_email="accounts@tansy-rook.example",
        billing_address="Tansy & Rook\n12 Wharf Street\nHarrowmere HM1 4",
        country_code="GB",
    )
    return Cast(
        owner=owner,
        photographer=photographer,
        editor=editor,
        agent=_client("Cleo Tansy", "cleo@tansy-rook.example", "020 7946 0118", agency=tansy),
        second_agent=_client("Bram Rook", "bram@tansy-rook.example", "020 7946 0119", agency=tansy),
        seller=_client(
            "Ines Fallow", "ines@fallow.example", "020 7946 0171", address="3 Heron Yard\nHarrowmere"
        ),
    )


def _settle_business() -> None:
    business = Business.current()
    business.address = "4 Chandler's Row\nHarrowmere HM2 7"
    business.country_code = "GB"
    business.email = "studio@plumb-lantern.example"
    business.phone = "020 7946 0142"
    business.tax_id = "GB 000 0000 00"
    business.payment_details = "By transfer to Plumb & Lantern; please give the invoice's number."
    business.base_latitude_deg, business.base_longitude_deg = BASE_POINT
    business.gallery_months = _gallery_months()
    business.save()
    # The demo must offer times on any day it is started.
    OpeningHours.objects.all().delete()
    OpeningHours.objects.bulk_create(
        OpeningHours(weekday=day, opens=dt.time(9), closes=dt.time(17)) for day in range(7)
    )


def _gallery_months() -> int:
    """Return a year from the files' day, or longer where the demo is started long after it."""
    today = dt.datetime.now(dt.UTC).date()
    late = max(0, (today.year - VISIT_ON.year) * 12 + today.month - VISIT_ON.month)
    return 12 + late


def _client(name: str, email: str, phone: str, *, agency: Agency | None = None, address: str = "") -> Client:
    return Client.objects.create(
        name=name, email=email, phone=phone, agency=agency, address=address, country_code="GB"
    )


def home(street: str, postcode: str, *, north: float, east: float, **more: object) -> Property:
    """Return a home near the studio, not yet saved; `north` and `east` in thousandths of a degree."""
    values: dict[str, object] = {
        "street": street,
        "city": "Harrowmere",
        "postcode": postcode,
        "country_code": "GB",
        "latitude_deg": BASE_POINT[0] + north / 1000,
        "longitude_deg": BASE_POINT[1] + east / 1000,
    }
    return Property(**(values | more))
