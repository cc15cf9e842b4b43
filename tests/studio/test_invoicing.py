"""Invoices: numbered without gaps, frozen once issued, put right by credit notes, settled by payments."""

from __future__ import annotations

import datetime as dt
import threading
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal

import pytest
from django.db import connection, transaction
from hypothesis import given, settings
from hypothesis import strategies as st

from studio import documents, invoicing, payments
from studio.errors import AlreadyIssued, Frozen, StaleState
from studio.models import Booking, CreditNote, Event, Invoice, InvoiceLine, NumberSeries, Payment
from tests import factories
from tests.factories import NOW, make_booking, make_business, make_owner

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _business() -> None:
    make_business()


def issued(**changed: object) -> Invoice:
    return invoicing.issue(make_booking(**changed), by=None, now=NOW)


# --- issuing ------------------------------------------------------------------------------------------


def test_an_invoice_takes_over_the_lines_and_sums_of_its_booking() -> None:
    lines = [
        {"description": "Pictures", "unit_minor": 21000, "quantity": Decimal(1)},
        {"description": "Detail pictures", "unit_minor": 800, "quantity": Decimal("2.5")},
        {"description": "Printed set", "unit_minor": 3000, "tax_name": "Books", "tax_percent": Decimal(5)},
    ]
    invoice = issued(lines=lines)
    assert [(line.description, line.net_minor) for line in invoice.lines.all()] == [
        ("Pictures", 21000),
        ("Detail pictures", 2000),
        ("Printed set", 3000),
    ]
    assert [(tax["name"], tax["base_minor"], tax["tax_minor"]) for tax in invoice.taxes] == [
        ("VAT", 23000, 4600),
        ("Books", 3000, 150),
    ]
    assert (invoice.net_minor, invoice.tax_minor, invoice.total_minor) == (26000, 4750, 30750)


def test_prices_with_tax_come_to_what_the_client_was_told() -> None:
    make_business(prices_include_tax=True)
    invoice = issued(lines=[{"unit_minor": 9999}, {"unit_minor": 5001}, {"unit_minor": 1}])
    assert invoice.total_minor == 15001
    assert (invoice.net_minor, invoice.tax_minor) == (12501, 2500)
    assert sum(line.net_minor for line in invoice.lines.all()) == 12501


def test_numbers_follow_one_another_and_start_anew_each_year() -> None:
    new_year = dt.datetime(2028, 1, 1, 0, 5, tzinfo=dt.UTC)
    numbers = [issued().number, issued().number]
    numbers.append(invoicing.issue(make_booking(), by=None, now=new_year).number)
    assert numbers == ["I-2027-0001", "I-2027-0002", "I-2028-0001"]


def test_the_year_is_the_one_of_the_business_not_of_the_server() -> None:
    make_business(time_zone="Pacific/Auckland")
    late = dt.datetime(2027, 12, 31, 12, 0, tzinfo=dt.UTC)  # already the first of January there
    invoice = invoicing.issue(make_booking(), by=None, now=late)
    assert (invoice.number, invoice.issued_on) == ("I-2028-0001", dt.date(2028, 1, 1))


def test_a_failed_issue_takes_no_number(monkeypatch: pytest.MonkeyPatch) -> None:
    booking = make_booking()

    def fail(*_: object, **__: object) -> None:
        raise RuntimeError("the disk is full")

    with monkeypatch.context() as patched:
        patched.setattr(invoicing.records, "note", fail)
        with pytest.raises(RuntimeError):
            invoicing.issue(booking, by=None, now=NOW)
    assert not Invoice.objects.exists()
    assert not NumberSeries.objects.filter(last__gt=0).exists()
    assert invoicing.issue(booking, by=None, now=NOW).number == "I-2027-0001"


def test_a_booking_is_billed_once_and_again_only_when_all_was_credited() -> None:
    booking = make_booking()
    first = invoicing.issue(booking, by=None, now=NOW)
    with pytest.raises(AlreadyIssued, match=first.number):
        invoicing.issue(booking, by=None, now=NOW)
    invoicing.credit(first, reason="Wrong address", by=None, now=NOW)
    assert invoicing.issue(booking, by=None, now=NOW).number == "I-2027-0002"


def test_the_due_day_and_the_licence_follow_the_client_and_the_business() -> None:
    make_business(payment_days=14, licence_months=6)
    client = factories.make_client(payment_days=30)
    starts_at = NOW - dt.timedelta(days=2)
    invoice = issued(client=client, starts_at=starts_at)
    assert invoice.due_on == NOW.date() + dt.timedelta(days=30)
    assert invoice.supplied_on == starts_at.date()
    assert invoice.licence_until == dt.date(2027, 11, 30)


def test_a_licence_from_the_last_of_the_month_ends_on_the_last_of_a_shorter_one() -> None:
    make_business(licence_months=6)
    starts_at = dt.datetime(2027, 8, 31, 10, tzinfo=dt.UTC)
    invoice = invoicing.issue(make_booking(starts_at=starts_at), by=None, now=starts_at)
    assert invoice.licence_until == dt.date(2028, 2, 29)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"state": Booking.State.ASKED}, "isn't agreed yet"),
        ({"lines": ()}, "no price lines"),
        ({"lines": [{"unit_minor": -100}]}, "less than nothing"),
    ],
)
def test_what_cant_be_billed_is_refused_with_a_reason(changed: dict[str, object], words: str) -> None:
    with pytest.raises(invoicing.NotReady, match=words):
        issued(**changed)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"name": ""}, "name is missing"),
        ({"name": " ", "address": ""}, "name and address is missing"),
        ({"credit_series": "I"}, "series of their own"),
    ],
)
def test_an_invoice_without_its_issuer_is_refused(changed: dict[str, str], words: str) -> None:
    booking = make_booking()
    make_business(**changed)
    with pytest.raises(invoicing.NotReady, match=words):
        invoicing.issue(booking, by=None, now=NOW)


def test_a_free_visit_is_billed_at_nothing_and_counts_as_paid() -> None:
    invoice = issued(lines=[{"unit_minor": 0}])
    assert invoicing.standing_of(invoice, now=NOW) == "Paid"


def test_a_draft_says_what_the_invoice_will_say_and_writes_nothing() -> None:
    booking = make_booking()
    drafted = invoicing.draft(booking, now=NOW)
    assert not Invoice.objects.exists()
    content = documents.content_of(invoicing.issue(booking, by=None, now=NOW))
    assert drafted | {"number": content["number"]} == content


# --- frozen -------------------------------------------------------------------------------------------


def test_later_changes_of_business_client_and_booking_leave_the_invoice_alone() -> None:
    agency = factories.make_agency(name="Tansy & Rook")
    client = factories.make_client(agency=agency)
    booking = make_booking(client=client)
    invoice = invoicing.issue(booking, by=None, now=NOW)
    before = documents.content_of(invoice)
    make_business(name="Someone Else", currency="USD")
    agency.name = "Another agency"
    agency.save()
    booking.lines.update(unit_minor=1)
    again = Invoice.objects.get(pk=invoice.pk)
    assert documents.content_of(again) == before
    assert before["seller"]["name"] == "Plumb & Lantern"
    assert before["buyer"]["name"] == "Tansy & Rook"


def test_an_issued_invoice_refuses_every_change() -> None:
    invoice = issued()
    line = invoice.lines.get()
    invoice.total_minor = 1
    for act in (
        invoice.save,
        invoice.delete,
        line.delete,
        lambda: Invoice.objects.update(total_minor=1),
        lambda: Invoice.objects.filter(pk=invoice.pk).delete(),
        lambda: InvoiceLine.objects.update(net_minor=1),
        lambda: Invoice.objects.bulk_update([invoice], ["total_minor"]),
        lambda: invoice.save(update_fields=["total_minor", "pdf"]),
    ):
        with pytest.raises(Frozen), transaction.atomic():
            act()
    assert Invoice.objects.get().total_minor == 25200


def test_a_payment_refuses_every_change() -> None:
    payment = invoicing.record_payment(issued(), 100, by=None, now=NOW)
    payment.amount_minor = 1
    for act in (payment.save, payment.delete, lambda: Payment.objects.update(amount_minor=1)):
        with pytest.raises(Frozen):
            act()


def test_the_record_of_who_did_what_refuses_every_change() -> None:
    issued()
    event = Event.objects.get()
    event.verb = "did something else"
    for act in (event.save, event.delete, lambda: Event.objects.update(verb="x"), Event.objects.all().delete):
        with pytest.raises(Frozen):
            act()


def test_a_change_past_the_models_shows_in_the_digest() -> None:
    invoice = issued()
    assert documents.is_intact(invoice)
    with connection.cursor() as cursor:
        cursor.execute("UPDATE studio_invoiceline SET description = 'Something else'")
    assert not documents.is_intact(Invoice.objects.get(pk=invoice.pk))


def test_the_digest_is_the_hash_of_sorted_json() -> None:
    # printf '%s' '{"a":"é","b":1}' | sha256sum
    expected = "aa58fba8483623bed37c1b02edfccbdd9a53123837c20bfa4cb4049993a2872e"
    assert documents.digest_of({"b": 1, "a": "é"}) == expected


# --- credit notes -------------------------------------------------------------------------------------


def test_a_full_credit_repeats_the_invoice_in_a_series_of_its_own() -> None:
    invoice = issued()
    note = invoicing.credit(invoice, reason="The visit did not take place", by=None, now=NOW)
    assert note.number == "C-2027-0001"
    assert (note.invoice, note.total_minor, note.taxes) == (invoice, invoice.total_minor, invoice.taxes)
    assert [line.description for line in note.lines.all()] == [
        line.description for line in invoice.lines.all()
    ]
    assert documents.content_of(note)["corrects"]["number"] == invoice.number
    assert invoicing.balance_minor(invoice) == 0
    assert invoicing.standing_of(invoice, now=NOW) == "Credited"
    with pytest.raises(AlreadyIssued):
        invoicing.credit(invoice, reason="Again", by=None, now=NOW)


def test_more_than_is_left_cant_be_credited() -> None:
    invoice = issued()
    invoicing.credit(invoice, reason="Two pictures missing", by=None, now=NOW, amounts_minor=[20000])
    with pytest.raises(invoicing.NotReady, match="€52.00 is left"):
        invoicing.credit(invoice, reason="More", by=None, now=NOW, amounts_minor=[5201])
    assert CreditNote.objects.count() == 1


def test_a_credit_note_without_a_reason_is_refused() -> None:
    with pytest.raises(invoicing.NotReady, match="reason"):
        invoicing.credit(issued(), reason=" ", by=None, now=NOW)


@pytest.mark.parametrize("prices_include_tax", [False, True])
@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_credits_in_any_parts_add_up_to_the_invoice(prices_include_tax: bool, data: st.DataObject) -> None:
    make_business(prices_include_tax=prices_include_tax)
    unit = st.integers(1, 99_999)
    lines = [
        {"unit_minor": data.draw(unit), "tax_percent": percent}
        for percent in (Decimal("8.25"), Decimal(19), Decimal("8.25"))
    ]
    invoice = issued(lines=lines)
    for _ in range(data.draw(st.integers(0, 3))):
        left = invoicing.left_to_credit(invoice)
        amounts = [data.draw(st.integers(0, tax.base_minor + tax.tax_minor)) for tax in left]
        if any(amounts):
            invoicing.credit(invoice, reason="A part", by=None, now=NOW, amounts_minor=amounts)
    if invoicing.balance_minor(invoice):
        invoicing.credit(invoice, reason="The rest", by=None, now=NOW)
    notes = list(invoice.credit_notes.all())
    for name in ("net_minor", "tax_minor", "total_minor"):
        assert sum(getattr(note, name) for note in notes) == getattr(invoice, name)
    for note in notes:
        assert note.net_minor >= 0
        assert note.tax_minor >= 0
        assert sum(line.net_minor for line in note.lines.all()) == note.net_minor


# --- payments -----------------------------------------------------------------------------------------


def test_part_payments_settle_an_invoice_step_by_step() -> None:
    invoice = issued()
    words = [invoicing.standing_of(invoice, now=NOW)]
    for amount in (10000, 15200, 500, -500):
        invoicing.record_payment(invoice, amount, by=None, now=NOW)
        words.append(invoicing.standing_of(invoice, now=NOW))
    assert words == ["Open", "Part paid", "Paid", "To pay back", "Paid"]


def test_an_open_invoice_is_overdue_from_the_day_after_it_was_due() -> None:
    invoice = issued()
    due = dt.datetime.combine(invoice.due_on, dt.time(20), tzinfo=dt.UTC)
    assert invoicing.standing_of(invoice, now=due) == "Open"
    assert invoicing.standing_of(invoice, now=due + dt.timedelta(hours=6)) == "Overdue"
    assert list(Invoice.objects.overdue_on(invoice.due_on)) == []
    assert list(Invoice.objects.overdue_on(invoice.due_on + dt.timedelta(days=1))) == [invoice]


def test_marking_as_paid_writes_what_is_owed_and_a_second_time_is_refused() -> None:
    invoice = issued()
    invoicing.record_payment(invoice, 5200, by=None, now=NOW)
    assert invoicing.record_payment(invoice, by=None, now=NOW).amount_minor == 20000
    with pytest.raises(StaleState, match="Nothing is owed"):
        invoicing.record_payment(invoice, by=None, now=NOW)


def test_the_same_form_sent_twice_counts_once() -> None:
    invoice, other = issued(), issued()
    entry_id = "0f0e5a2c-7d3b-4b57-9c0f-3b8f0f0f0f0f"
    first = invoicing.record_payment(invoice, 100, entry_id=entry_id, by=None, now=NOW)
    assert invoicing.record_payment(invoice, 100, entry_id=entry_id, by=None, now=NOW) == first
    assert invoicing.balance_minor(invoice) == 25100
    with pytest.raises(payments.OddPayment, match="another invoice"):
        invoicing.record_payment(other, 100, entry_id=entry_id, by=None, now=NOW)


@pytest.mark.parametrize(
    ("amount", "changed", "words"),
    [
        (0, {}, "nothing"),
        (100, {"received_on": dt.date(2027, 6, 3)}, "day to come"),
        (-1, {}, "more can't go back"),
    ],
)
def test_odd_payments_are_refused(amount: int, changed: dict[str, dt.date], words: str) -> None:
    with pytest.raises(payments.OddPayment, match=words):
        invoicing.record_payment(issued(), amount, by=None, now=NOW, **changed)


def test_a_slip_is_taken_back_by_a_second_row() -> None:
    owner = make_owner()
    booking = make_booking(state=Booking.State.SENT)
    invoice = invoicing.issue(booking, by=owner, now=NOW)
    payment = invoicing.record_payment(invoice, by=owner, now=NOW)
    booking.refresh_from_db()
    assert booking.state == Booking.State.CLOSED
    invoicing.take_back(payment, by=owner, now=NOW)
    booking.refresh_from_db()
    assert booking.state == Booking.State.SENT
    assert invoicing.balance_minor(invoice) == invoice.total_minor
    with pytest.raises(StaleState):
        invoicing.take_back(payment, by=owner, now=NOW)
    assert Payment.objects.count() == 2


@pytest.mark.parametrize(
    ("state", "amount", "after"),
    [
        (Booking.State.SENT, 25200, Booking.State.CLOSED),
        (Booking.State.SENT, 25199, Booking.State.SENT),
        (Booking.State.VISITED, 25200, Booking.State.VISITED),
    ],
)
def test_only_a_sent_booking_that_is_paid_in_full_is_closed(state: str, amount: int, after: str) -> None:
    booking = make_booking(state=state)
    invoicing.record_payment(invoicing.issue(booking, by=None, now=NOW), amount, by=None, now=NOW)
    booking.refresh_from_db()
    assert booking.state == after


def test_a_booking_paid_before_its_set_was_sent_is_closed_by_the_sweep() -> None:
    booking = make_booking(state=Booking.State.VISITED)
    unbilled = make_booking(state=Booking.State.SENT)
    invoicing.record_payment(invoicing.issue(booking, by=None, now=NOW), by=None, now=NOW)
    Booking.objects.filter(pk=booking.pk).update(state=Booking.State.SENT)
    assert invoicing.close_paid(now=NOW) == 1
    assert invoicing.close_paid(now=NOW) == 0
    booking.refresh_from_db()
    unbilled.refresh_from_db()
    assert (booking.state, unbilled.state) == (Booking.State.CLOSED, Booking.State.SENT)


def test_every_money_event_is_written_down() -> None:
    owner = make_owner()
    booking = make_booking(state=Booking.State.SENT)
    invoice = invoicing.issue(booking, by=owner, now=NOW)
    invoicing.record_payment(invoice, 100, by=owner, now=NOW)
    invoicing.credit(invoice, reason="Late", by=owner, now=NOW)
    verbs = list(
        Event.objects.filter(booking=booking, user=owner).order_by("pk").values_list("verb", flat=True)
    )
    assert verbs == ["issued the invoice", "recorded a payment", "issued a credit note"]


# --- at the same moment -------------------------------------------------------------------------------


@pytest.mark.django_db(transaction=True)
def test_marking_as_paid_eight_times_at_once_writes_one_payment() -> None:
    invoice, start = issued(), threading.Barrier(8)

    def pay() -> str:
        start.wait(timeout=30)
        try:
            invoicing.record_payment(Invoice.objects.get(pk=invoice.pk), by=None, now=NOW)
        except StaleState:
            return "refused"
        else:
            return "paid"
        finally:
            connection.close()

    with ThreadPoolExecutor(8) as pool:
        got = sorted(future.result() for future in [pool.submit(pay) for _ in range(8)])
    assert got == ["paid", *["refused"] * 7]
    assert Payment.objects.get().amount_minor == invoice.total_minor
