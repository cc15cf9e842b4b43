"""The pages of invoices, payments, credit notes and mails; who gets in is in tests/test_visitors.py."""

from __future__ import annotations

import datetime as dt
import uuid
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
import time_machine
from django.test import Client as Browser
from django.urls import reverse

from studio import documents, invoice_letters, invoicing, mailing
from studio.models import Booking, CreditNote, Invoice, Message, Payment, User
from tests import factories
from tests.factories import NOW, add_line, make_booking, make_business, make_owner, sign_in_client

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _clock() -> Any:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def owner() -> User:
    make_business(iban="GB82WEST12345698765432", payment_details="Harrowmere Savings Bank")
    return make_owner()


@pytest.fixture
def browser(owner: User) -> Browser:
    browser = Browser()
    browser.force_login(owner, backend="django.contrib.auth.backends.ModelBackend")
    return browser


def issued(owner: User, **changed: Any) -> Invoice:
    return invoicing.issue(make_booking(**changed), by=owner, now=NOW)


def at(name: str, *parts: Any) -> str:
    return reverse(f"studio:{name}", args=parts)


# --- issuing ------------------------------------------------------------------------------------------


def test_the_owner_sees_the_invoice_before_it_is_issued_then_issues_and_mails_it(
    browser: Browser, owner: User
) -> None:
    booking = make_booking()
    before = browser.get(at("invoice-issue", booking.public_id)).content.decode()
    assert "€252.00" in before
    assert "number follows" in before
    assert not Invoice.objects.exists()
    response = browser.post(at("invoice-issue", booking.public_id), {"send": "yes"}, follow=True)
    invoice = Invoice.objects.get()
    assert response.redirect_chain[-1][0] == at("invoice", invoice.public_id)
    assert "Invoice I-2027-0001 is issued." in response.content.decode()
    assert Message.objects.get().invoice == invoice


def test_issuing_twice_leads_to_the_invoice_that_is_there(browser: Browser) -> None:
    booking = make_booking()
    for _ in range(2):
        response = browser.post(at("invoice-issue", booking.public_id))
        assert response.headers["Location"] == at("invoice", Invoice.objects.get().public_id)


def test_what_cant_be_billed_says_why_on_the_bookings_page(browser: Browser) -> None:
    booking = make_booking(lines=())
    response = browser.get(at("invoice-issue", booking.public_id), follow=True)
    assert response.redirect_chain[0][0] == reverse("listings:booking", args=[booking.public_id])
    assert "has no price lines" in response.content.decode()


def test_signs_that_the_type_lacks_are_named_before_issuing(browser: Browser) -> None:
    booking = make_booking(home=factories.make_home(street="山 5"))
    assert "no shape for 山" in browser.get(at("invoice-issue", booking.public_id)).content.decode()


# --- one invoice --------------------------------------------------------------------------------------


def test_the_page_says_what_the_pdf_says(browser: Browser, owner: User) -> None:
    booking = make_booking()
    add_line(booking, description="Printed set", unit_minor=3000, tax_name="Books", tax_percent=Decimal(5))
    invoice = invoicing.issue(booking, by=owner, now=NOW)
    page = browser.get(at("invoice", invoice.public_id)).content.decode()
    content = documents.content_of(invoice)
    for text in (
        content["number"],
        "Printed set",
        "VAT 20",
        "Books 5",
        "€240.00",
        "€283.50",
        "16 June 2027",
        "GB82 WEST 1234 5698 7654 32",
    ):
        assert text in page


def test_the_page_says_being_made_until_the_pdf_is_there(browser: Browser, owner: User) -> None:
    invoice = issued(owner)
    address = at("invoice-pdf", invoice.public_id)
    assert "The PDF is being made" in browser.get(at("invoice", invoice.public_id)).content.decode()
    waiting = browser.get(address)
    assert (waiting.status_code, waiting.headers["Retry-After"]) == (503, "5")
    documents.make_pdf(invoice, now=NOW)
    response = browser.get(address)
    assert response.content == documents.pdf_bytes(invoice, now=NOW)
    assert response.headers["Content-Type"] == "application/pdf"
    assert response.headers["Content-Disposition"] == 'inline; filename="I-2027-0001.pdf"'
    assert "Open the PDF" in browser.get(at("invoice", invoice.public_id)).content.decode()


def test_a_changed_pdf_is_not_handed_out_and_the_page_says_so(browser: Browser, owner: User) -> None:
    invoice = issued(owner)
    documents.make_pdf(invoice, now=NOW)
    Path(invoice.pdf.path).write_bytes(b"%PDF-1.4 something else")
    response = browser.get(at("invoice-pdf", invoice.public_id))
    assert response.status_code == 500
    assert "not the file that was issued" in response.content.decode()


def test_the_clients_page_says_what_is_owed_and_offers_nothing_of_the_staff(owner: User) -> None:
    invoice = issued(owner)
    client = Browser()
    sign_in_client(client, invoice.client)
    page = client.get(at("invoice", invoice.public_id)).content.decode()
    assert "€252.00</span> is to be paid by 16 June 2027" in page
    assert "Mark as paid" not in page
    assert "data:image/svg+xml" in page


def test_a_renewed_link_closes_the_old_one(owner: User) -> None:
    invoice = issued(owner)
    path = invoice_letters.link_path(invoice)
    assert Browser().get(path).status_code == 200
    assert Browser().get(path).headers["X-Robots-Tag"] == "noindex, nofollow"
    Invoice.objects.update(link_generation=2)
    assert Browser().get(path).status_code == 404
    assert Browser().get(f"{path}pdf/").status_code == 404


def test_a_link_of_an_invoice_opens_no_other(owner: User) -> None:
    one, other = issued(owner), issued(owner)
    token = invoice_letters.link_path(one).rstrip("/").rsplit("/", 1)[1]
    assert Browser().get(at("invoice-by-link", other.public_id, token)).status_code == 404


def test_a_change_past_the_program_is_shown_to_staff(browser: Browser, owner: User) -> None:
    from django.db import connection

    invoice = issued(owner)
    with connection.cursor() as cursor:
        cursor.execute("UPDATE studio_invoice SET total_minor = 1")
    assert "is not what was issued" in browser.get(at("invoice", invoice.public_id)).content.decode()


# --- payments -----------------------------------------------------------------------------------------


def test_mark_as_paid_is_one_step_and_closes_a_sent_booking(browser: Browser, owner: User) -> None:
    invoice = issued(owner, state=Booking.State.SENT)
    page = browser.post(at("invoice-paid", invoice.public_id), follow=True).content.decode()
    assert "Invoice I-2027-0001 is paid." in page
    assert Booking.objects.get().state == Booking.State.CLOSED
    again = browser.post(at("invoice-paid", invoice.public_id), follow=True).content.decode()
    assert "Nothing is owed" in again
    assert Payment.objects.count() == 1


def payment_form(**changed: str) -> dict[str, str]:
    good = {
        "entry_id": str(uuid.uuid4()),
        "amount_minor": "100.00",
        "way": "in",
        "received_on": "2027-06-01",
        "method": "cash",
        "reference": "TR 4471",
    }
    return good | changed


def test_a_part_payment_is_recorded_with_its_day_and_reference(browser: Browser, owner: User) -> None:
    invoice = issued(owner)
    data = payment_form()
    for _ in range(2):  # the button pressed twice
        browser.post(at("invoice-payment", invoice.public_id), data)
    payment = Payment.objects.get()
    assert (payment.amount_minor, payment.received_on) == (10000, dt.date(2027, 6, 1))
    assert (payment.method, payment.reference, payment.recorded_by) == ("cash", "TR 4471", owner)
    page = browser.get(at("invoice", invoice.public_id)).content.decode()
    assert "Part paid" in page
    assert "€152.00" in page


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"amount_minor": "1.234"}, "more than one way"),
        ({"amount_minor": "0"}, "or more"),
        ({"amount_minor": "a lot"}, "is not an amount"),
        ({"received_on": "2027-06-03"}, "day to come"),
        ({"way": "back"}, "go back"),
        ({"entry_id": ""}, "gone stale"),
    ],
)
def test_a_payment_that_cant_be_is_explained_and_nothing_written(
    browser: Browser, owner: User, changed: dict[str, str], words: str
) -> None:
    invoice = issued(owner)
    response = browser.post(at("invoice-payment", invoice.public_id), payment_form(**changed))
    assert response.status_code == 422
    assert words in response.content.decode()
    assert not Payment.objects.exists()


def test_a_slip_is_taken_back_from_the_page(browser: Browser, owner: User) -> None:
    invoice = issued(owner)
    payment = invoicing.record_payment(invoice, by=owner, now=NOW)
    path = at("payment-take-back", invoice.public_id, payment.pk)
    assert path in browser.get(at("invoice", invoice.public_id)).content.decode()
    page = browser.post(path, follow=True).content.decode()
    assert "both entries stay in the books" in page
    assert path not in page
    assert invoicing.balance_minor(invoice) == invoice.total_minor


def test_a_payment_of_another_invoice_cant_be_taken_back_here(browser: Browser, owner: User) -> None:
    one, other = issued(owner), issued(owner)
    payment = invoicing.record_payment(one, by=owner, now=NOW)
    assert browser.post(at("payment-take-back", other.public_id, payment.pk)).status_code == 404


# --- credit notes -------------------------------------------------------------------------------------


def test_a_part_is_credited_from_the_page(browser: Browser, owner: User) -> None:
    invoice = issued(owner)
    data = {"reason": "Two pictures missing", "extent": "part", "amount_0": "50", "send": "yes"}
    browser.post(at("invoice-credit", invoice.public_id), data)
    note = CreditNote.objects.get()
    assert (note.total_minor, note.reason) == (5000, "Two pictures missing")
    assert Message.objects.get().credit_note == note
    page = browser.get(at("credit-note", note.public_id)).content.decode()
    assert "€50.00" in page
    assert "Invoice I-2027-0001 of 2 June 2027" in page


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"amount_0": "252.01"}, "be credited"),
        ({"amount_0": ""}, "Give the amount"),
        ({"reason": ""}, "required"),
    ],
)
def test_a_credit_that_cant_be_is_explained_and_nothing_written(
    browser: Browser, owner: User, changed: dict[str, str], words: str
) -> None:
    invoice = issued(owner)
    data = {"reason": "Late", "extent": "part", "amount_0": "50"} | changed
    response = browser.post(at("invoice-credit", invoice.public_id), data)
    assert response.status_code == 422
    assert words in response.content.decode()
    assert not CreditNote.objects.exists()


# --- the list -----------------------------------------------------------------------------------------


def test_the_list_is_found_by_a_sentence_and_added_up(browser: Browser, owner: User) -> None:
    client = factories.make_client(agency=factories.make_agency(name="Tansy & Rook"))
    paid, open_one = issued(owner, client=client), issued(owner)
    invoicing.record_payment(paid, by=owner, now=NOW)
    page = browser.get(at("invoices")).content.decode()
    assert "2 invoices, <span" in page
    assert "€504.00" in page
    assert "€252.00</strong> of it owed" in page
    for query, found in (
        ({"which": "open"}, {open_one}),
        ({"which": "paid"}, {paid}),
        ({"which": "overdue"}, set()),
        ({"words": "tansy rook"}, {paid}),
        ({"words": open_one.number}, {open_one}),
        ({"year": "2027"}, {paid, open_one}),
        ({"year": "1999"}, {paid, open_one}),  # not a year of ours: it narrows nothing
    ):
        page = browser.get(at("invoices"), query).content.decode()
        assert {one for one in (paid, open_one) if f">{one.number}<" in page} == found, query


def test_visits_that_nobody_billed_stand_above_the_list(browser: Browser, owner: User) -> None:
    waiting = make_booking(state=Booking.State.VISITED)
    issued(owner, state=Booking.State.SENT)
    page = browser.get(at("invoices")).content.decode()
    assert page.count("See the invoice") == 1
    assert at("invoice-issue", waiting.public_id) in page


def test_the_list_needs_no_more_queries_for_more_invoices(
    browser: Browser, owner: User, django_assert_max_num_queries: Any
) -> None:
    for _ in range(12):
        issued(owner)
    with django_assert_max_num_queries(12):
        browser.get(at("invoices"))


def test_an_empty_list_says_what_will_be_there(browser: Browser) -> None:
    assert "Invoices will stand here" in browser.get(at("invoices")).content.decode()


# --- mails --------------------------------------------------------------------------------------------


def test_without_smtp_the_mail_page_shows_text_and_links(browser: Browser) -> None:
    message = mailing.send(
        "agreed", to="a@b.example", subject="Agreed", body="Look: https://x.example/y/", now=NOW
    )
    listing = browser.get(at("mails")).content.decode()
    assert "No mail leaves this machine" in listing
    assert "Kept here" in listing
    page = browser.get(at("mail", message.public_id)).content.decode()
    assert 'href="https://x.example/y/"' in page


@pytest.mark.parametrize(("role", "reads"), [("owner", True), ("photographer", False), ("editor", False)])
def test_a_link_that_signs_in_is_for_the_owners_eyes(owner: User, role: str, reads: bool) -> None:
    message = mailing.send(
        "sign-in", to="a@b.example", subject="Your link", body="https://x.example/z/", secret=True, now=NOW
    )
    browser = Browser()
    browser.force_login(factories.make_user(role=role), backend="django.contrib.auth.backends.ModelBackend")
    page = browser.get(at("mail", message.public_id)).content.decode()
    assert ("https://x.example/z/" in page) is reads


def test_a_failed_mail_shows_why_and_can_be_sent_now(browser: Browser, settings: Any) -> None:
    settings.SMTP_HOST = "mail.example"
    message = mailing.send("agreed", to="a@b.example", subject="Agreed", body="Hello", now=NOW)
    Message.objects.update(state=Message.State.FAILED, failed_reason="The mail server answered 550 no")
    page = browser.get(at("mail", message.public_id)).content.decode()
    assert "The mail server answered 550 no" in page
    assert "Send it now" in page
    browser.post(at("mail-send-again", message.public_id))
    message.refresh_from_db()
    assert message.state == Message.State.WAITING


def test_a_mails_text_is_never_markup(browser: Browser) -> None:
    message = mailing.send("x", to="a@b.example", subject="<b>x</b>", body="<script>1</script>", now=NOW)
    page = browser.get(at("mail", message.public_id)).content.decode()
    assert "<script>1" not in page
    assert "<b>x</b>" not in page


# --- the admin ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("model", ["invoice", "creditnote", "payment", "event", "message", "numberseries"])
def test_the_admin_shows_issued_rows_and_changes_none(browser: Browser, owner: User, model: str) -> None:
    invoice = issued(owner)
    invoicing.record_payment(invoice, 100, by=owner, now=NOW)
    invoicing.credit(invoice, reason="Late", by=owner, now=NOW)
    invoice_letters.send_invoice(invoice, by=owner, now=NOW)
    from django.apps import apps

    row = apps.get_model("studio", model)._default_manager.first()
    before = row.__class__._default_manager.filter(pk=row.pk).values().get()
    assert browser.get(reverse(f"admin:studio_{model}_changelist")).status_code == 200
    change = reverse(f"admin:studio_{model}_change", args=[row.pk])
    assert browser.get(change).status_code == 200
    assert browser.post(change, {"total_minor": "1", "amount_minor": "1", "verb": "x"}).status_code == 403
    assert browser.post(reverse(f"admin:studio_{model}_delete", args=[row.pk])).status_code == 403
    assert browser.get(reverse(f"admin:studio_{model}_add")).status_code == 403
    assert row.__class__._default_manager.filter(pk=row.pk).values().get() == before
