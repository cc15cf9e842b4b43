"""The request page's questions."""

from __future__ import annotations

import datetime as dt
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict
from django.utils.datastructures import MultiValueDict

from studio import asking, quoting, sunlight
from studio.forms.places import HomeForm
from studio.models import Business, Client, PriceItem, PriceList, Property, Terms


class MomentField(forms.CharField):
    """An ISO moment with its offset, as the free times carry it; gives an aware datetime or None."""

    def clean(self, value: Any) -> dt.datetime | None:
        text = super().clean(value)
        if not text:
            return None
        try:
            moment = dt.datetime.fromisoformat(text)
            if moment.tzinfo is None:
                raise ValueError(text)
            return moment.astimezone(dt.UTC)
        except (ValueError, OverflowError) as error:
            raise ValidationError("Choose one of the free times.") from error


class DayField(forms.DateField):
    """The first day of the times that are shown; anything unreadable means the first possible one."""

    def clean(self, value: Any) -> dt.date | None:
        try:
            on = super().clean(value)
        except ValidationError:
            return None
        return on if on and 1970 <= on.year <= 2999 else None


class HoldField(forms.UUIDField):
    """Which time is kept for the page; anything unreadable means none."""

    def clean(self, value: Any) -> UUID | None:
        try:
            found: UUID | None = super().clean(value)
        except ValidationError:
            return None
        return found


class RequestForm(HomeForm):
    """Everything asked of an agent; signed-in agents are not asked who they are."""

    extras = forms.MultipleChoiceField(
        label="What else?", required=False, widget=forms.CheckboxSelectMultiple
    )
    wishes = forms.CharField(
        label="Wishes", required=False, max_length=4000, widget=forms.Textarea(attrs={"rows": 3}),
        help_text="What makes this home special, what must be seen, what better not.",
    )  # fmt: skip
    access_contact = forms.CharField(
        label="Who opens the door?", max_length=200, required=False,
        help_text="Name and telephone of the owner, the tenant, or yourself. With a mail address they are "
        "reminded the day before.",
    )  # fmt: skip
    access_note = forms.CharField(
        label="How to get in", required=False, max_length=1000, widget=forms.Textarea(attrs={"rows": 2}),
        help_text=(
            "Key safe, code, alarm. Kept encrypted, shown to the photographer only, wiped after the visit."
        ),
    )  # fmt: skip
    name = forms.CharField(
        label="Your name", max_length=120, widget=forms.TextInput(attrs={"autocomplete": "name"})
    )
    email = forms.EmailField(label="Mail", widget=forms.EmailInput(attrs={"autocomplete": "email"}))
    phone = forms.CharField(
        label="Telephone", max_length=40, widget=forms.TextInput(attrs={"autocomplete": "tel", "type": "tel"})
    )
    agency = forms.CharField(
        label="Agency", max_length=160, required=False,
        widget=forms.TextInput(attrs={"autocomplete": "organization"}),
    )  # fmt: skip
    starts_at = MomentField(required=False)
    # The days that are shown: those that a button asks for, else those that stood there.
    week = DayField(required=False, widget=forms.HiddenInput)
    shown = DayField(required=False, widget=forms.HiddenInput)
    # The time that is kept for this page.
    hold = HoldField(required=False)
    accepts = forms.BooleanField(
        label="I accept these terms and prices",
        error_messages={"required": "Please read and accept the terms and prices; nothing was sent yet."},
    )
    terms_version = forms.IntegerField(required=False, widget=forms.HiddenInput)
    # Left empty by people, who never see it; filled in by machines.
    homepage = forms.CharField(required=False, widget=forms.TextInput(attrs={"tabindex": "-1"}))

    def __init__(
        self, *args: Any, prices: PriceList | None, client: Client | None, business: Business, **kwargs: Any
    ) -> None:
        self.prices, self.client, self.business = prices, client, business
        # Set by the view when nothing is being sent: then what is missing is no mistake yet.
        self.looks_only = False
        self.terms = Terms.current()
        super().__init__(*args, **kwargs)
        self.items = list(prices.items.select_related("tax_rate")) if prices else []
        self.offered = [item for item in self.items if item.kind in quoting.CHOSEN and item.is_offered]
        self.fees = [item for item in self.items if item.kind == PriceItem.Kind.FEE]
        self.fields["extras"].choices = [(item.code, item.name) for item in self.offered]  # type: ignore[attr-defined]
        self.fields["floor_area_m2"].required = True
        if client is not None:
            for name in ("name", "email", "phone", "agency"):
                del self.fields[name]
        if self.terms is None:
            del self.fields["accepts"]
        else:
            self.initial["terms_version"] = self.terms.version

    def clean_homepage(self) -> str:
        if self.cleaned_data["homepage"]:
            raise ValidationError("Please leave this empty.")
        return ""

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if self.terms and cleaned.get("terms_version") not in (None, self.terms.version):
            self.add_error(
                "accepts", "The terms have changed while you were writing. Please read them again."
            )
            data = dict(self.data.lists()) if isinstance(self.data, QueryDict) else dict(self.data)
            data |= {"terms_version": [str(self.terms.version)], "accepts": []}
            self.data = MultiValueDict(data)
        return cleaned

    @property
    def chosen_extras(self) -> list[str]:
        """Return what was ticked, also when something else needs another look."""
        return self.data.getlist("extras") if isinstance(self.data, MultiValueDict) else []

    @property
    def home(self) -> Property:
        """Return the home as far as it is filled in, for price and times."""
        good = getattr(self, "cleaned_data", {})
        point = good.get("point") or (None, None)
        return Property(
            latitude_deg=point[0],
            longitude_deg=point[1],
            postcode=good.get("postcode", ""),
            front_bearing_deg=good.get("front"),
        )

    @property
    def wants_light(self) -> bool:
        """Say whether pictures of the outside are ticked, by day or at twilight."""
        return not sunlight.OUTSIDE_CODES.isdisjoint(self.chosen_extras)

    def quote(self) -> quoting.Quote:
        """Return the price of what is filled in so far; what can't be read counts as not filled in."""
        if self.is_bound:
            self.is_valid()
        good = getattr(self, "cleaned_data", {})
        return quoting.quote_for(
            self.prices, self.business, extras=good.get("extras") or (), point=good.get("point"),
            postcode=good.get("postcode", ""),
            floor_area_m2=good.get("floor_area_m2"), bedrooms=good.get("bedrooms"),
            bathrooms=good.get("bathrooms"),
        )  # fmt: skip

    def asked(self, quote: quoting.Quote) -> asking.Asked:
        """Return the finished request."""
        good = self.cleaned_data
        client = self.client
        return asking.Asked(
            name=client.name if client else good["name"],
            email=client.email if client else good["email"],
            phone=client.phone if client else good["phone"],
            agency="" if client else good["agency"],
            home=self.as_values(),
            quote=quote,
            wants_outside="outside" in good["extras"],
            wanted_at=good["starts_at"],
            terms=self.terms,
            wishes=good["wishes"],
            access_contact=good["access_contact"],
            access_note=good["access_note"],
        )


class SetForm(forms.Form):
    """What is wanted, for a booking that staff write down."""

    extras = forms.MultipleChoiceField(label="Extras", required=False, widget=forms.CheckboxSelectMultiple)
    wishes = forms.CharField(
        label="Wishes", required=False, max_length=4000, widget=forms.Textarea(attrs={"rows": 2})
    )
    access_contact = forms.CharField(
        label="Who opens the door?",
        required=False,
        max_length=200,
        help_text="Name and telephone; with a mail address they are reminded the day before.",
    )

    def __init__(
        self, *args: Any, client: Client | None, business: Business, on: dt.date, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.business = business
        own = client.price_list if client else None
        self.prices = own or quoting.price_list_for(client.agency if client else None, on=on)
        items = self.prices.items.filter(is_offered=True, kind__in=quoting.CHOSEN) if self.prices else []
        self.fields["extras"].choices = [(item.code, item.name) for item in items]  # type: ignore[attr-defined]

    def quote(self, home_form: HomeForm) -> quoting.Quote:
        """Return the price lines for this home."""
        good = home_form.cleaned_data
        return quoting.quote_for(
            self.prices, self.business, extras=self.cleaned_data["extras"], point=good.get("point"),
            postcode=good.get("postcode", ""),
            floor_area_m2=good.get("floor_area_m2"), bedrooms=good.get("bedrooms"),
            bathrooms=good.get("bathrooms"),
        )  # fmt: skip
