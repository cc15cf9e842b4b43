"""What the owner sets: the business, prices, taxes, hours, terms, people."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any

from django import forms
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.text import slugify

from studio import consents, money
from studio.forms.bookings import read_money
from studio.forms.places import PointField
from studio.forms.signing_in import clean_currency, time_zone_choices
from studio.models import Business, DayOff, OpeningHours, PriceItem, PriceList, TaxRate, Terms, User

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
SHORT = {"class": "short"}


class BusinessForm(forms.ModelForm):
    """Name, address, money and habits."""

    time_zone = forms.ChoiceField(label="Time zone", choices=time_zone_choices)
    website = forms.URLField(label="Web address", required=False, assume_scheme="https")
    base = PointField(
        label="Where you start from",
        required=False,
        help_text="Latitude and longitude, or a geo: link. Travel that costs is reckoned from here, and the "
        "sun where a home's own point is not known.",
    )

    class Meta:
        model = Business
        fields = [
            "name", "address", "country_code", "email", "phone", "website", "tax_id", "currency", "time_zone",
            "prices_include_tax", "invoice_series", "credit_series", "payment_days", "payment_details",
            "iban", "bic", "invoice_note", "logo", "licence_text", "licence_months", "gallery_months",
            "base_postcode", "travel_speed_kmh", "road_factor", "travel_free_km", "travel_minutes_default",
            "setup_minutes",
            "shortest_visit_minutes", "notice_hours", "book_days_ahead", "proposal_hours", "access_note_days",
            "hold_minutes", "holds_at_once", "holds_a_day", "holds_a_day_from_network",
            "sun_angle_deg", "sun_above_deg", "golden_from_deg", "golden_to_deg", "blue_to_deg",
            "outside_minutes",
        ]  # fmt: skip
        labels = {
            "name": "Name", "country_code": "Country", "email": "Mail", "phone": "Telephone",
            "website": "Web address", "tax_id": "Tax number", "prices_include_tax": "Prices include the tax",
            "invoice_series": "Invoices begin with", "credit_series": "Credit notes begin with",
            "payment_days": "Days to pay", "payment_details": "How to pay", "iban": "IBAN", "bic": "BIC",
            "invoice_note": "Note on every invoice", "licence_text": "Licence",
            "licence_months": "The licence lasts, months", "gallery_months": "A gallery stays open, months",
            "base_postcode": "Postcode you start from",
            "travel_speed_kmh": "Speed on the road, km/h", "road_factor": "Road against straight line",
            "travel_free_km": "Free distance, km", "travel_minutes_default": "Way of unknown length, minutes",
            "setup_minutes": "Kept free before a visit, minutes",
            "shortest_visit_minutes": "Shortest visit, minutes", "notice_hours": "Notice, hours",
            "book_days_ahead": "Booked ahead at most, days", "proposal_hours": "A proposal is held, hours",
            "hold_minutes": "A time being asked for is kept, minutes",
            "holds_at_once": "Kept at once for an address",
            "holds_a_day": "Kept in a day for an address",
            "holds_a_day_from_network": "Kept in a day for a network",
            "access_note_days": "Access notes are wiped after, days",
            "sun_angle_deg": "Sun on the front, degrees aside",
            "sun_above_deg": "Sun on the front, degrees high",
            "golden_from_deg": "Golden light from a sun at, degrees",
            "golden_to_deg": "Golden light ends at, degrees",
            "blue_to_deg": "Blue light ends with a sun at, degrees",
            "outside_minutes": "Light wanted for the outside, minutes",
        }  # fmt: skip
        widgets = {
            "address": forms.Textarea(attrs={"rows": 3}),
            "payment_details": forms.Textarea(attrs={"rows": 3}),
            "invoice_note": forms.Textarea(attrs={"rows": 2}),
            "licence_text": forms.Textarea(attrs={"rows": 3}),
        }

    PARTS = (
        ("You", ("name", "address", "country_code", "email", "phone", "website", "logo", "time_zone")),
        (
            "Money",
            ("currency", "prices_include_tax", "tax_id", "invoice_series", "credit_series", "payment_days",
             "payment_details", "iban", "bic", "invoice_note"),
        ),
        ("Visits", ("notice_hours", "book_days_ahead", "setup_minutes", "shortest_visit_minutes",
                    "proposal_hours", "hold_minutes", "holds_at_once", "holds_a_day",
                    "holds_a_day_from_network", "access_note_days")),
        ("Ways", ("base", "base_postcode", "travel_speed_kmh", "road_factor", "travel_free_km",
                  "travel_minutes_default")),
        ("Sun", ("sun_angle_deg", "sun_above_deg", "golden_from_deg", "golden_to_deg", "blue_to_deg",
                 "outside_minutes")),
        ("Pictures", ("licence_text", "licence_months", "gallery_months")),
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        here = (self.instance.base_latitude_deg, self.instance.base_longitude_deg)
        self.initial["base"] = here if None not in here else None

    @property
    def parts(self) -> Iterator[tuple[str, list[forms.BoundField]]]:
        for heading, names in self.PARTS:
            yield heading, [self[name] for name in names]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        heights = [cleaned.get(name) for name in ("golden_from_deg", "golden_to_deg", "blue_to_deg")]
        known = [height for height in heights if height is not None]
        if len(known) == 3 and not known[0] > known[1] > known[2]:
            self.add_error("golden_to_deg", "Golden light lies above blue: such as 6, -4 and -6.")
        return cleaned

    def clean_currency(self) -> str:
        return clean_currency(self.cleaned_data["currency"])

    def clean_country_code(self) -> str:
        return self.cleaned_data["country_code"].upper()

    def save(self, commit: bool = True) -> Business:
        base = self.cleaned_data["base"]
        self.instance.base_latitude_deg, self.instance.base_longitude_deg = base if base else (None, None)
        return super().save(commit)


class TaxRateForm(forms.ModelForm):
    category = forms.ChoiceField(
        label="Kind",
        choices=(("S", "Taxed"), ("Z", "Taxed at zero"), ("E", "Exempt"), ("O", "Outside of tax")),
    )

    class Meta:
        model = TaxRate
        fields = ["name", "percent", "category"]
        labels = {"percent": "Percent"}

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        percent = cleaned.get("percent")
        if percent is not None and percent < 0:
            self.add_error("percent", "A rate can't be less than zero.")
        if percent and cleaned.get("category") in money.UNTAXED_CATEGORIES:
            self.add_error("percent", "Only taxed lines have a rate; choose 'Taxed', or write 0.")
        return cleaned


class PriceListForm(forms.ModelForm):
    class Meta:
        model = PriceList
        fields = ["name", "agency", "valid_from", "valid_to"]
        labels = {"agency": "For one agency only", "valid_from": "From", "valid_to": "Until"}
        widgets = {
            "valid_from": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
            "valid_to": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        }

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        begin, end = cleaned.get("valid_from"), cleaned.get("valid_to")
        if begin and end and end < begin:
            self.add_error("valid_to", "The last day is before the first.")
        return cleaned


class PriceItemForm(forms.ModelForm):
    price = forms.CharField(label="Price", max_length=20, widget=forms.TextInput(attrs=SHORT))

    class Meta:
        model = PriceItem
        fields = [
            "name", "help", "kind", "tax_rate", "area_from_m2", "area_to_m2", "minutes", "pictures",
            "is_offered", "position",
        ]  # fmt: skip
        labels = {
            "help": "More words", "tax_rate": "Tax", "area_from_m2": "From m²", "area_to_m2": "Up to m²",
            "minutes": "Minutes of the visit", "pictures": "Pictures", "is_offered": "Offered to agents",
            "position": "Place in the list",
        }  # fmt: skip
        help_texts = {"minutes": "", "pictures": "", "area_to_m2": "Not included; empty: no end."}

    def __init__(self, *args: Any, currency: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.currency = currency
        self.fields["price"].help_text = f"In {currency}, such as 120.00."
        if self.instance.pk:
            self.initial["price"] = money.plain_amount(self.instance.amount_minor, currency)

    def clean_price(self) -> int:
        return read_money(self.cleaned_data["price"], self.currency)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        begin, end = cleaned.get("area_from_m2"), cleaned.get("area_to_m2")
        if begin is not None and end is not None and end <= begin:
            self.add_error("area_to_m2", "The band ends before it begins.")
        return cleaned

    def save(self, commit: bool = True) -> PriceItem:
        self.instance.amount_minor = self.cleaned_data["price"]
        if not self.instance.code:
            self.instance.code = self._free_code()
        return super().save(commit)

    def _free_code(self) -> str:
        stem = slugify(self.cleaned_data["name"])[:32] or "line"
        taken = set(self.instance.price_list.items.values_list("code", flat=True))
        code, n = stem, 2
        while code in taken:
            code, n = f"{stem}-{n}", n + 1
        return code


class HoursForm(forms.Form):
    """The week: two spans a day at most, empty where nobody works."""

    def __init__(self, *args: Any, photographer: User | None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.photographer = photographer
        rows: dict[int, list[OpeningHours]] = {}
        for row in OpeningHours.objects.filter(photographer=photographer):
            rows.setdefault(row.weekday, []).append(row)
        for weekday, word in enumerate(WEEKDAYS):
            for n in (0, 1):
                span = rows.get(weekday, [])[n] if len(rows.get(weekday, [])) > n else None
                for end, value in (("opens", span and span.opens), ("closes", span and span.closes)):
                    self.fields[f"{end}_{weekday}_{n}"] = forms.TimeField(
                        required=False,
                        initial=value,
                        label=f"{word} {'opens' if end == 'opens' else 'closes'}{' again' if n else ''}",
                        widget=forms.TimeInput(attrs={"type": "time", "step": 300}, format="%H:%M"),
                    )

    @property
    def days(self) -> Iterator[tuple[str, list[tuple[forms.BoundField, forms.BoundField]]]]:
        for weekday, word in enumerate(WEEKDAYS):
            yield word, [(self[f"opens_{weekday}_{n}"], self[f"closes_{weekday}_{n}"]) for n in (0, 1)]

    def spans(self) -> list[tuple[int, dt.time, dt.time]]:
        good = self.cleaned_data
        found = []
        for weekday in range(7):
            for n in (0, 1):
                opens, closes = good.get(f"opens_{weekday}_{n}"), good.get(f"closes_{weekday}_{n}")
                if opens and closes:
                    found.append((weekday, opens, closes))
        return sorted(found)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        for weekday, word in enumerate(WEEKDAYS):
            last: dt.time | None = None
            for n in (0, 1):
                opens, closes = cleaned.get(f"opens_{weekday}_{n}"), cleaned.get(f"closes_{weekday}_{n}")
                if bool(opens) != bool(closes):
                    raise ValidationError(f"{word}: write both when it opens and when it closes, or neither.")
                if opens and closes and opens >= closes:
                    raise ValidationError(f"{word}: it closes before it opens.")
                if opens and last and opens < last:
                    raise ValidationError(f"{word}: the second span begins before the first has ended.")
                last = closes or last
        return cleaned

    def save(self) -> None:
        with transaction.atomic():
            OpeningHours.objects.filter(photographer=self.photographer).delete()
            OpeningHours.objects.bulk_create(
                OpeningHours(photographer=self.photographer, weekday=weekday, opens=opens, closes=closes)
                for weekday, opens, closes in self.spans()
            )


class DayOffForm(forms.ModelForm):
    class Meta:
        model = DayOff
        fields = ["first_on", "last_on", "photographer", "reason"]
        labels = {"first_on": "First day", "last_on": "Last day", "photographer": "Who", "reason": "Why"}
        widgets = {
            "first_on": forms.DateInput(attrs={"type": "date"}),
            "last_on": forms.DateInput(attrs={"type": "date"}),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["photographer"]
        field.queryset = User.objects.filter(is_active=True)  # type: ignore[attr-defined]
        field.empty_label = "Everyone"  # type: ignore[attr-defined]
        self.fields["last_on"].required = False
        self.fields["last_on"].help_text = "Left empty: one day."

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        first, last = cleaned.get("first_on"), cleaned.get("last_on")
        if first and not last:
            cleaned["last_on"] = first
        elif first and last and last < first:
            self.add_error("last_on", "The last day is before the first.")
        return cleaned


class TermsForm(forms.ModelForm):
    class Meta:
        model = Terms
        fields = ["text", "cancel_free_hours"]
        labels = {
            "text": "The terms",
            "cancel_free_hours": "Moving and calling off is free until so many hours before",
        }
        widgets = {
            "text": forms.Textarea(attrs={"rows": 22}),
            "cancel_free_hours": forms.NumberInput(attrs=SHORT),
        }


class GuideForm(forms.ModelForm):
    class Meta:
        model = Business
        fields = ["preparation_guide"]
        labels = {"preparation_guide": "The guide"}
        help_texts = {
            "preparation_guide": "A line that begins with # opens a part; with -, it is a thing to do."
        }
        widgets = {"preparation_guide": forms.Textarea(attrs={"rows": 26})}


class LettersForm(forms.ModelForm):
    """When people are written to by itself, and what a second visit for the outside is."""

    second_visit_fee = forms.CharField(
        label="A second visit costs",
        max_length=20,
        help_text="Such as 0 or 25.00.",
        widget=forms.TextInput(attrs=SHORT),
    )

    class Meta:
        model = Business
        fields = [
            "reminder_hour", "late_choices", "told_again_minutes", "told_fresh_minutes",
            "second_visit_minutes", "consent_text",
        ]  # fmt: skip
        labels = {
            "reminder_hour": "Reminders go out at",
            "late_choices": "Late by, minutes",
            "told_again_minutes": "Not twice within, minutes",
            "told_fresh_minutes": "Passed on within, minutes",
            "second_visit_minutes": "A second visit takes, minutes",
            "consent_text": "A tenant agrees to",
        }
        widgets = {
            "reminder_hour": forms.NumberInput(attrs=SHORT),
            "late_choices": forms.TextInput(attrs=SHORT),
            "told_again_minutes": forms.NumberInput(attrs=SHORT),
            "told_fresh_minutes": forms.NumberInput(attrs=SHORT),
            "second_visit_minutes": forms.NumberInput(attrs=SHORT),
            "consent_text": forms.Textarea(attrs={"rows": 9}),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        fee_minor = self.instance.second_visit_fee_minor
        self.initial["consent_text"] = self.instance.consent_text or consents.DEFAULT_TEXT
        self.initial["second_visit_fee"] = money.plain_amount(fee_minor, self.instance.currency)

    def clean_second_visit_fee(self) -> int:
        fee_minor = read_money(self.cleaned_data["second_visit_fee"], self.instance.currency)
        if fee_minor < 0:
            raise ValidationError("A fee can't be less than nothing.")
        return fee_minor

    def save(self, commit: bool = True) -> Business:
        self.instance.second_visit_fee_minor = self.cleaned_data["second_visit_fee"]
        return super().save(commit)


class PersonForm(forms.ModelForm):
    """A staff account; the password is asked for when the account is new, else only to change it."""

    password = forms.CharField(
        label="Password",
        strip=False,
        required=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )

    class Meta:
        model = User
        fields = ["name", "email", "phone", "role", "is_active"]
        labels = {"email": "Mail", "phone": "Telephone", "role": "Role", "is_active": "May sign in"}

    def __init__(self, *args: Any, by: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.by = by
        is_new = self.instance.pk is None
        self.fields["password"].required = is_new
        self.fields["password"].help_text = (
            "At least ten characters. Tell it by telephone." if is_new else "Left empty: it stays as it is."
        )

    def clean_email(self) -> str:
        email: str = self.cleaned_data["email"].lower()
        if User.objects.filter(email__iexact=email).exclude(pk=self.instance.pk).exists():
            raise ValidationError("Someone here has this address already.")
        return email

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if password := cleaned.get("password"):
            try:
                validate_password(
                    password, User(email=cleaned.get("email", ""), name=cleaned.get("name", ""))
                )
            except ValidationError as error:
                self.add_error("password", error)
        stays_owner = cleaned.get("role") == User.Role.OWNER and cleaned.get("is_active")
        others = User.objects.filter(role=User.Role.OWNER, is_active=True).exclude(pk=self.instance.pk)
        if not stays_owner and self.instance.pk and not others.exists():
            raise ValidationError("Somebody has to stay owner; give the role to someone else first.")
        return cleaned

    def save(self, commit: bool = True) -> User:
        user = super().save(commit=False)
        if password := self.cleaned_data["password"]:
            user.set_password(password)
        if commit:
            user.save()
        return user
