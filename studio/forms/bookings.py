"""Forms about bookings: entering by hand, times, prices, calling off, access notes."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from studio import asking, diary, money
from studio.forms.requesting import MomentField
from studio.models import Booking, Business, Client, TaxRate, User


class PhotographerField(forms.ModelChoiceField):
    """Who comes; left open, whoever is free."""

    def __init__(self) -> None:
        super().__init__(
            label="Photographer", required=False, empty_label="Whoever is free", queryset=User.objects.none()
        )

    def offer(self, people: list[User]) -> None:
        self.queryset = User.objects.filter(pk__in=[person.pk for person in people])


class WhenForm(forms.Form):
    """A day and a time by the business's clock, and who comes; gives `starts_at`, aware."""

    on = forms.DateField(label="Day", widget=forms.DateInput(attrs={"type": "date"}))
    time = forms.TimeField(label="Time", widget=forms.TimeInput(attrs={"type": "time", "step": 300}))
    photographer = PhotographerField()

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["photographer"].offer(diary.photographers())  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        on, time = cleaned.get("on"), cleaned.get("time")
        if on and not 1970 <= on.year <= 2999:
            self.add_error("on", "That year is too far off.")
            on = None
        cleaned["starts_at"] = diary.at(on, time, Business.current().zone) if on and time else None
        return cleaned


class SetTimeForm(WhenForm):
    """A day and a time written down, or one of the free times in their place."""

    chosen = MomentField(required=False)
    use_required_attribute = False

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.is_bound and self["chosen"].value():
            self.fields["on"].required = self.fields["time"].required = False

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if cleaned.get("chosen"):
            cleaned["starts_at"] = cleaned["chosen"]
        return cleaned


class EnterForm(WhenForm):
    """A booking that came by telephone: client, address, day; the rest defaults."""

    client = forms.ModelChoiceField(
        label="Client", queryset=Client.objects.none(), required=False, empty_label="Somebody new"
    )
    client_name = forms.CharField(label="Name", max_length=120, required=False)
    client_email = forms.EmailField(label="Mail", required=False)
    client_phone = forms.CharField(label="Telephone", max_length=40, required=False)
    client_agency = forms.CharField(label="Agency", max_length=160, required=False)

    field_order = ["client"]
    use_required_attribute = False

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["client"].queryset = Client.objects.select_related("agency")  # type: ignore[attr-defined]
        if not self["client"].value():
            ask = {"required": "Choose a client above, or write name and mail address of a new one."}
            for name in ("client_name", "client_email"):
                self.fields[name].required = True
                self.fields[name].error_messages |= ask
        self.fields["time"].required = False
        self.fields["time"].help_text = "Left empty: the first free."
        self.fields["on"].required = False
        self.fields["photographer"].help_text = "Left open: whoever is free."
        self.fields["on"].help_text = "Left empty: no time yet."

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if not cleaned.get("client"):
            for name in ("client_name", "client_email"):
                if not cleaned.get(name) and name not in self.errors:
                    self.add_error(
                        name, "Choose a client above, or write name and mail address of a new one."
                    )
        if cleaned.get("time") and not cleaned.get("on"):
            self.add_error("on", "A time needs its day.")
        return cleaned

    def find_or_make_client(self) -> Client:
        """Return the chosen client, the one with this address, or a new one."""
        good = self.cleaned_data
        if good["client"]:
            client: Client = good["client"]
            return client
        if known := Client.objects.filter(email__iexact=good["client_email"]).first():
            return known
        client, _ = Client.objects.get_or_create(
            email=good["client_email"].lower(),
            defaults={
                "name": good["client_name"],
                "phone": good["client_phone"],
                "agency": asking.agency_named(good["client_agency"]),
            },
        )
        return client


class ChosenTimeForm(forms.Form):
    """One of the free times."""

    starts_at = MomentField(label="Time", error_messages={"required": "Choose one of the free times."})


class SeenTimeForm(forms.Form):
    """The time that stood on the button; another one meanwhile is not agreed to unseen."""

    seen = MomentField(required=False)


class CallOffForm(forms.Form):
    reason = forms.CharField(
        label="Why?", max_length=300, help_text="The other side reads it.", widget=forms.TextInput
    )


class LineForm(forms.Form):
    """A price line written by hand."""

    description = forms.CharField(label="What", max_length=240)
    quantity = forms.DecimalField(
        label="How many", min_value=Decimal("0.01"), max_digits=9, decimal_places=2, initial=Decimal(1)
    )
    price = forms.CharField(
        label="Price of one", max_length=20, help_text="Such as 120.00; a discount with a minus."
    )
    tax_rate = forms.ModelChoiceField(label="Tax", queryset=TaxRate.objects.all(), empty_label=None)

    def __init__(self, *args: Any, currency: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.currency = currency

    def clean_price(self) -> int:
        return read_money(self.cleaned_data["price"], self.currency)


class AccessNoteForm(forms.Form):
    text = forms.CharField(
        label="How to get in",
        required=False,
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Key safe, code, alarm. Kept encrypted; the photographer and the owner can read it.",
    )


class FindForm(forms.Form):
    """The sentence above the list: which bookings, of whom, when."""

    WHICH = (
        ("open", "that need something"),
        ("coming", "that are coming"),
        ("all", "of any state"),
        *Booking.State.choices,
    )
    WHEN = (("", "at any time"), ("week", "this week"), ("month", "this month"), ("year", "this year"))

    which = forms.ChoiceField(choices=WHICH, required=False)
    when = forms.ChoiceField(choices=WHEN, required=False)
    who = forms.ModelChoiceField(queryset=User.objects.none(), required=False, empty_label="anybody")
    q = forms.CharField(required=False, max_length=80)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["who"].queryset = User.objects.filter(is_active=True)  # type: ignore[attr-defined]
        for name, words in (("which", "Which"), ("when", "When"), ("who", "Photographer"), ("q", "Words")):
            self.fields[name].widget.attrs["aria-label"] = words
        self.fields["q"].widget.attrs |= {"type": "search", "placeholder": "street, agent, B0012"}


def read_money(text: str, currency: str) -> int:
    """Return minor units, or say how an amount is written."""
    try:
        amount = money.parse_minor(text, currency)
        if abs(amount) > money.MOST_MINOR:
            raise ValueError(text)
        return amount
    except ValueError as error:
        raise ValidationError(f"{text!r} is not an amount in {currency}. Write it like 120.00.") from error
