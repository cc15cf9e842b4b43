"""The owner's back room: every row of the studio to look at, issued documents and the record read-only."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from studio import models


def is_owner(request: HttpRequest) -> bool:
    return bool(request.user.is_active and getattr(request.user, "is_staff", False))


class OwnersAdmin(admin.ModelAdmin):
    """The back room is the owner's, by role; there are no permissions to hand out one by one."""

    def has_module_permission(self, request: HttpRequest) -> bool:
        return is_owner(request)

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return is_owner(request)

    def has_add_permission(self, request: HttpRequest) -> bool:
        return is_owner(request)

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return is_owner(request)

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return is_owner(request)


class ReadOnlyAdmin(OwnersAdmin):
    """Rows that are written once: shown in full, never added, changed or deleted here."""

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


class ReadOnlyLines(admin.TabularInline):
    extra = 0
    can_delete = False

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return is_owner(request)

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


class InvoiceLines(ReadOnlyLines):
    model = models.InvoiceLine


class CreditNoteLines(ReadOnlyLines):
    model = models.CreditNoteLine


class Payments(ReadOnlyLines):
    model = models.Payment


class BookingLines(ReadOnlyLines):
    model = models.BookingLine


@admin.register(models.Invoice)
class InvoiceAdmin(ReadOnlyAdmin):
    list_display = ("number", "client", "issued_on", "due_on", "currency", "total_minor")
    list_filter = ("year", "currency")
    search_fields = ("number", "subject", "client__name")
    inlines = (InvoiceLines, Payments)


@admin.register(models.CreditNote)
class CreditNoteAdmin(ReadOnlyAdmin):
    list_display = ("number", "client", "invoice", "issued_on", "currency", "total_minor")
    search_fields = ("number", "invoice__number", "client__name")
    inlines = (CreditNoteLines,)


@admin.register(models.Payment)
class PaymentAdmin(ReadOnlyAdmin):
    list_display = ("invoice", "amount_minor", "received_on", "method", "reference", "recorded_by")


@admin.register(models.NumberSeries)
class NumberSeriesAdmin(ReadOnlyAdmin):
    list_display = ("kind", "series", "year", "last")


@admin.register(models.Event)
class EventAdmin(ReadOnlyAdmin):
    list_display = ("at", "verb", "user", "client", "booking")
    list_filter = ("verb",)
    date_hierarchy = "at"


@admin.register(models.Message)
class MessageAdmin(ReadOnlyAdmin):
    list_display = ("created_at", "kind", "to", "subject", "state")
    list_filter = ("state", "kind")
    search_fields = ("to", "subject")


@admin.register(models.Booking)
class BookingAdmin(ReadOnlyAdmin):
    """A booking moves by its own table of moves, so its row is only looked at here."""

    list_display = ("number", "home", "client", "photographer", "state", "starts_at")
    list_filter = ("state",)
    search_fields = ("home__street", "client__name")
    inlines = (BookingLines,)


@admin.register(models.User)
class UserAdmin(OwnersAdmin):
    list_display = ("name", "email", "role", "is_active", "last_login")
    fields = ("name", "email", "role", "phone", "is_active")
    search_fields = ("name", "email")

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """People who leave are made inactive: what they did keeps their name."""
        return False

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Accounts begin on the people page, which sets a password."""
        return False


for _model, _display in {
    models.Agency: ("name", "billing_email"),
    models.Client: ("name", "agency", "email", "release"),
    models.Property: ("street", "city", "kind", "occupied_by"),
    models.PriceList: ("name", "agency", "valid_from", "valid_to"),
    models.PriceItem: ("name", "price_list", "kind", "amount_minor", "is_offered"),
    models.TaxRate: ("name", "percent", "category"),
    models.OpeningHours: ("weekday", "opens", "closes", "photographer"),
    models.DayOff: ("first_on", "last_on", "photographer", "reason"),
}.items():
    admin.site.register(_model, type(f"{_model.__name__}Admin", (OwnersAdmin,), {"list_display": _display}))


@admin.register(models.Business)
class BusinessAdmin(OwnersAdmin):
    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


@admin.register(models.Terms)
class TermsAdmin(ReadOnlyAdmin):
    """A new version is published on the terms page; accepted ones stay as they were."""

    list_display = ("version", "published_at", "cancel_free_hours")


admin.site.site_header = admin.site.site_title = "Mullion"
admin.site.index_title = "Rows"
