# ruff: noqa: E501 (the texts are paragraphs, as the owner will see them)
"""What a fresh business starts with, so that it works at once. All of it is the owner's to change.

Prices, hours and texts here are invented starting points (common practice, no source), not advice.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

from django.db import transaction

from studio import money
from studio.models import Business, OpeningHours, PriceItem, PriceList, TaxRate, Terms

KIND = PriceItem.Kind

# code, name, help, kind, price in whole units of the currency, area from, area to, minutes, pictures, offered
ITEMS: tuple[tuple[str, str, str, str, int, int | None, int | None, int, int, bool], ...] = (
    ("home-60", "Pictures of a home up to 60 m²", "All rooms and the front.", KIND.BASE, 140, 0, 60, 50, 15, True),
    ("home-110", "Pictures of a home of 60 to 110 m²", "All rooms and the front.", KIND.BASE, 180, 60, 110, 75, 22, True),
    ("home-180", "Pictures of a home of 110 to 180 m²", "All rooms and the front.", KIND.BASE, 240, 110, 180, 105, 30, True),
    ("home-large", "Pictures of a home over 180 m²", "All rooms and the front.", KIND.BASE, 320, 180, None, 150, 40, True),
    ("outside", "Outside and garden", "The house from all sides, the garden, the street.", KIND.EXTRA, 45, None, None, 20, 6, True),
    ("twilight", "Twilight pictures", "A second, short visit when the windows glow.", KIND.EXTRA, 120, None, None, 45, 4, True),
    ("details", "Details of each room", "Handles, stone, wood: one or two close views a room.", KIND.PER_ROOM, 8, None, None, 3, 1, True),
    ("floor-plan", "Measured floor plan", "Drawn to scale from our measurements.", KIND.EXTRA, 75, None, None, 30, 0, True),
    ("travel", "Travel beyond the free distance", "For each kilometre.", KIND.TRAVEL, 1, None, None, 0, 0, True),
    ("rush", "Delivery the same day", "Pictures by the evening of the visit.", KIND.RUSH, 60, None, None, 0, 0, True),
    ("late-cancel", "Called off too late", "Less than the free time before the visit.", KIND.FEE, 60, None, None, 0, 0, False),
    ("no-access", "Nobody there to open", "The visit could not take place.", KIND.FEE, 75, None, None, 0, 0, False),
)  # fmt: skip

HOURS = [(day, dt.time(9), dt.time(17)) for day in range(5)] + [(5, dt.time(10), dt.time(14))]

TERMS = """\
1. What you get. The pictures named in your booking, corrected and delivered through a private gallery, as a rule by the evening of the next business day.

2. What you may do with them. You may use the pictures to market this home for as long as it is on offer, in print and online. They stay the photographer's work: passing them on to another agent, a builder, a stager or the buyer needs a new licence.

3. Honest pictures. We level, crop, balance light and colour, and open dark corners. We do not add, hide or replace what belongs to the home or its surroundings. Where something movable was taken out of a picture it is recorded, and the unaltered picture stays open to view. Many places have rules on altered pictures; following them when you publish is yours.

4. Ready and open. The home is tidy and someone can open at the agreed time. If nobody opens, or the home cannot be photographed, the fee for a lost visit is due.

5. Moving and calling off. Free until the number of hours before the visit that stands beside these terms; after that the fee for calling off late is due. Bad weather for outside pictures costs nothing: we come back.

6. People who live there. If a tenant lives in the home you obtain the tenant's consent, in writing where the law asks for it, before the visit.

7. Safety. We do not climb on furniture or open electrical fittings. Pets and children are kept in another room by the household. Local codes and licensed practice come first.

8. Payment. Within the time that stands on the invoice.

These terms are a starting text and not legal advice. Have them read by someone who knows your local law."""

GUIDE = """\
# Everywhere
- Open curtains and blinds; clean windows show.
- Switch every lamp on; replace dead bulbs, the same kind and colour in one room.
- Turn ceiling fans and screens off.
- Clear floors of cables, shoes, toys and bins.
- Put out of sight: family photographs, post, medication, keys, the alarm panel's code, calendars, children's names.

# Kitchen
- Clear the worktop; leave two or three good things.
- Empty the sink; take magnets and notes off the fridge.
- Hang up fresh towels or none.

# Living and dining
- Straighten cushions and throws; chairs square to the table.
- Hide remote controls and chargers.

# Bedrooms
- Make the beds, smooth the covers; nothing under them that shows.
- Clear bedside tables to a lamp and a book.

# Bathrooms
- Lid down, bottles and brushes away, a clean mirror.
- Take out mats and laundry.

# Outside
- Move cars and bins out of view; roll up the hose.
- Sweep the entrance, cut the grass if you can.

# While we are there
- Keep pets and children in another room or out for a walk: there are lamps, stands and cables on the floor.
- Please leave heavy furniture, ladders, and anything electrical that is not a switch or a plug to people who are trained for it; local codes and licensed practice come first.
- Wood fires and candles stay unlit, so that nothing burns unwatched.
- Tell us about steps, low beams, wet floors, or anything that we should be careful with."""

LICENCE = (
    "For marketing this property while it is on offer, by the client named in the booking. "
    "Not transferable; other uses need a new licence."
)


def ensure(*, now: dt.datetime) -> None:
    """Make what is missing; run it as often as you like: nothing the owner has is changed."""
    with transaction.atomic():
        business = Business.current()
        if not business.preparation_guide:
            business.preparation_guide = GUIDE
        if not business.licence_text:
            business.licence_text = LICENCE
        business.save(update_fields=["preparation_guide", "licence_text"])
        if not Terms.objects.exists():
            Terms.objects.create(version=1, text=TERMS, published_at=now)
        if not OpeningHours.objects.exists():
            OpeningHours.objects.bulk_create(
                OpeningHours(weekday=day, opens=opens, closes=closes) for day, opens, closes in HOURS
            )
        if not PriceList.objects.exists():
            _make_price_list(business, now=now)


def _make_price_list(business: Business, *, now: dt.datetime) -> None:
    rate = TaxRate.objects.order_by("pk").first() or TaxRate.objects.create(
        name="No tax", percent=Decimal(0), category="E"
    )
    prices = PriceList.objects.create(name="Prices", valid_from=now.astimezone(business.zone).date())
    unit = 10 ** money.minor_units(business.currency)
    PriceItem.objects.bulk_create(
        PriceItem(
            price_list=prices, code=code, name=name, help=help_text, kind=kind, amount_minor=whole * unit,
            area_from_m2=area_from, area_to_m2=area_to, minutes=minutes, pictures=pictures,
            is_offered=offered, tax_rate=rate, position=position,
        )
        for position, (code, name, help_text, kind, whole, area_from, area_to, minutes, pictures, offered)
        in enumerate(ITEMS)
    )  # fmt: skip
