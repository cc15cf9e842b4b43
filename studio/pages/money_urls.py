"""Addresses of invoices, credit notes, payments and mails."""

from django.urls import URLPattern, URLResolver, path

from studio.pages import invoices, mails

urlpatterns: list[URLPattern | URLResolver] = [
    path("invoices/", invoices.listing, name="invoices"),
    path("invoices/<uuid:public_id>/", invoices.invoice, name="invoice"),
    path("invoices/<uuid:public_id>/pdf/", invoices.invoice_pdf, name="invoice-pdf"),
    path("invoices/<uuid:public_id>/paid/", invoices.mark_paid, name="invoice-paid"),
    path("invoices/<uuid:public_id>/payments/", invoices.record_payment, name="invoice-payment"),
    path(
        "invoices/<uuid:public_id>/payments/<int:pk>/take-back/",
        invoices.take_back,
        name="payment-take-back",
    ),
    path("invoices/<uuid:public_id>/credit/", invoices.credit, name="invoice-credit"),
    path("invoices/<uuid:public_id>/send/", invoices.send, name="invoice-send"),
    path("invoices/<uuid:public_id>/<slug:token>/", invoices.invoice_by_link, name="invoice-by-link"),
    path(
        "invoices/<uuid:public_id>/<slug:token>/pdf/",
        invoices.invoice_pdf_by_link,
        name="invoice-by-link-pdf",
    ),
    path("credit-notes/<uuid:public_id>/", invoices.credit_note, name="credit-note"),
    path("credit-notes/<uuid:public_id>/pdf/", invoices.credit_note_pdf, name="credit-note-pdf"),
    path("credit-notes/<uuid:public_id>/send/", invoices.send_credit_note, name="credit-note-send"),
    path(
        "credit-notes/<uuid:public_id>/<slug:token>/",
        invoices.credit_note_by_link,
        name="creditnote-by-link",
    ),
    path(
        "credit-notes/<uuid:public_id>/<slug:token>/pdf/",
        invoices.credit_note_pdf_by_link,
        name="creditnote-by-link-pdf",
    ),
    path("bookings/<uuid:public_id>/invoice/", invoices.issue, name="invoice-issue"),
    path("mails/", mails.listing, name="mails"),
    path("mails/<uuid:public_id>/", mails.mail, name="mail"),
    path("mails/<uuid:public_id>/send-again/", mails.send_again, name="mail-send-again"),
]
