"""Line by line: what a wish costs. The rounding itself is money's and tested there."""

from decimal import Decimal

import pytest

from studio import invoicing, quoting
from studio.errors import AlreadyIssued
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture
def prices():
    return factories.make_price_list()


def wish(prices, **changed):
    values = {"price_list": prices, "floor_area_m2": 95, "bedrooms": 3, "bathrooms": 2}
    return quoting.Wish(**(values | changed))


def codes(quote):
    return [(line.code, int(line.quantity)) for line in quote.lines]


@pytest.mark.parametrize(
    ("area_m2", "code"),
    [(None, "base-80"), (10, "base-80"), (79, "base-80"), (80, "base-140"), (139, "base-140"),
     (140, "base-large"), (4000, "base-large")],
)  # fmt: skip
def test_the_base_line_follows_the_floor_area(prices, area_m2, code):
    assert codes(quoting.quote(wish(prices, floor_area_m2=area_m2))) == [(code, 1)]


def test_without_an_area_the_quote_says_that_it_is_the_smallest(prices):
    assert quoting.quote(wish(prices, floor_area_m2=None)).remarks
    assert not quoting.quote(wish(prices)).remarks


def test_extras_are_added_and_what_is_per_room_is_counted(prices):
    quote = quoting.quote(wish(prices, extras=frozenset({"outside", "details"})))
    # three bedrooms, two bathrooms and the living room
    assert codes(quote) == [("base-140", 1), ("outside", 1), ("details", 6)]
    assert quote.net_minor == 21000 + 4500 + 6 * 800
    assert quote.tax_minor == 6060  # 20 % of 303.00
    assert quote.minutes == 90 + 20 + 6 * 3
    assert quote.pictures == 28 + 5 + 6


@pytest.mark.parametrize(
    ("distance_km", "beyond_km"), [(None, 0), (29.0, 0), (30.0, 0), (30.1, 1), (47.5, 18)]
)
def test_travel_costs_each_kilometre_begun_beyond_the_free_ones(prices, distance_km, beyond_km):
    quote = quoting.quote(wish(prices, distance_km=distance_km, travel_free_km=30))
    assert dict(codes(quote)).get("travel", 0) == beyond_km


def test_fees_and_what_is_not_offered_can_not_be_asked_for(prices):
    prices.items.filter(code="outside").update(is_offered=False)
    quote = quoting.quote(wish(prices, extras=frozenset({"no-access", "outside", "nonsense", "travel"})))
    assert codes(quote) == [("base-140", 1)]


def test_a_short_visit_still_takes_the_shortest_time(prices):
    assert quoting.quote(wish(prices, shortest_minutes=120)).minutes == 120


def test_an_agency_with_its_own_list_gets_it_while_it_holds(prices):
    agency = factories.make_agency()
    own = factories.make_price_list(agency=agency, name="Tansy's")
    on = NOW.date()
    assert quoting.price_list_for(agency, on=on) == own
    assert quoting.price_list_for(None, on=on) == prices
    own.valid_to = NOW.date().replace(day=1)
    own.save()
    assert quoting.price_list_for(agency, on=on) == prices


def test_lines_kept_as_json_come_back_the_same(prices):
    lines = quoting.quote(wish(prices, extras=frozenset({"details"}))).lines
    assert tuple(quoting.from_json(quoting.as_json(lines))) == lines


def test_a_booking_keeps_its_prices_when_the_list_changes(prices):
    booking = factories.make_booking(lines=())
    quoting.write_lines(booking, quoting.quote(wish(prices)).lines)
    prices.items.update(amount_minor=1)
    assert quoting.totals_of(booking).net_minor == 21000


def test_lines_stand_still_once_the_booking_is_over(prices):
    owner, rate = factories.make_owner(), factories.make_tax_rate()
    for state in ("agreed", "closed"):
        booking = factories.make_booking(state=state)

        def add(booking=booking):
            return quoting.add_line(
                booking, description="Second visit", quantity=Decimal(1), unit_minor=5000, tax_rate=rate,
                by=owner, now=NOW,
            )  # fmt: skip

        if state == "agreed":
            assert add().position == 1
        else:
            with pytest.raises(AlreadyIssued):
                add()


def test_a_wholly_credited_invoice_frees_the_lines_for_the_right_one(prices):
    owner, rate = factories.make_owner(), factories.make_tax_rate()
    factories.make_business()
    booking = factories.make_booking(state="sent")
    first = invoicing.issue(booking, by=owner, now=NOW)
    wrong = booking.lines.get()
    with pytest.raises(AlreadyIssued):
        quoting.remove_line(booking, wrong, by=owner, now=NOW)
    invoicing.credit(first, reason="The wrong price", by=owner, now=NOW)
    quoting.add_line(
        booking,
        description="Pictures",
        quantity=Decimal(1),
        unit_minor=5000,
        tax_rate=rate,
        by=owner,
        now=NOW,
    )
    quoting.remove_line(booking, wrong, by=owner, now=NOW)
    assert [line.unit_minor for line in invoicing.issue(booking, by=owner, now=NOW).lines.all()] == [5000]
    assert not quoting.may_edit_lines(booking)


def test_a_called_off_booking_can_be_billed_for_the_fee_alone(prices):
    owner, rate = factories.make_owner(), factories.make_tax_rate()
    factories.make_business()
    booking = factories.make_booking(state="called_off")
    quoting.add_line(
        booking, description="Fee", quantity=Decimal(1), unit_minor=4000, tax_rate=rate, by=owner, now=NOW
    )
    quoting.remove_line(booking, booking.lines.first(), by=owner, now=NOW)
    assert [line.unit_minor for line in invoicing.issue(booking, by=owner, now=NOW).lines.all()] == [4000]
