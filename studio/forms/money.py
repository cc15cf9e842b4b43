"""Forms for prices, payments and credit notes; amounts arrive in minor units."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from studio import money
from studio.models import Invoice, Payment


class MoneyField(forms.CharField):
    """An amount as people type it; cleans to whole minor units of its currency."""

    def __init__(self, *, currency: str, least_minor: int | None = 0, **kwargs: Any):
        kwargs.setdefault("max_length", 30)
        super().__init__(**kwargs)
        self.currency, self.least_minor = currency, least_minor
        self.widget.attrs |= {"inputmode": "decimal", "autocomplete": "off"}

    def prepare_value(self, value: Any) -> Any:
        return money.plain_amount(value, self.currency) if isinstance(value, int) else value

    def to_python(self, value: Any) -> Any:
        text = super().to_python(value)
        if not text:
            return None
        try:
            return money.parse_minor(text, self.currency)
        except money.UnreadableAmount as error:
            raise ValidationError(str(error)) from error

    def validate(self, value: Any) -> None:
        super().validate(value)
        if value is not None and self.least_minor is not None and value < self.least_minor:
            least = money.format_minor(self.least_minor, self.currency)
            raise ValidationError(f"Need {least} or more.")
        if value is not None and abs(value) > money.MOST_MINOR:
            raise ValidationError(f"At most {money.format_minor(money.MOST_MINOR, self.currency)}, please.")

    def run_validators(self, value: Any) -> None:
        """The text's own checks (length) don't fit a number; ours are in `validate`."""


class PaymentForm(forms.Form):
    """Money that came in, or went back."""

    entry_id = forms.UUIDField(widget=forms.HiddenInput)
    way = forms.ChoiceField(
        label="Which way did it go?",
        choices=[("in", "It came in"), ("back", "It went back to the client")],
        widget=forms.RadioSelect,
        initial="in",
    )
    received_on = forms.DateField(label="On which day?", widget=forms.DateInput(attrs={"type": "date"}))
    method = forms.ChoiceField(label="How?", choices=Payment.Method.choices)
    reference = forms.CharField(
        label="Reference", required=False, max_length=120, help_text="As the bank's statement says it."
    )

    def __init__(self, *args: Any, invoice: Invoice, **kwargs: Any):
        super().__init__(*args, **kwargs)
        self.fields["amount_minor"] = MoneyField(
            currency=invoice.currency, least_minor=1, label=f"How much, in {invoice.currency}?"
        )
        self.order_fields(["entry_id", "amount_minor", "way", "received_on", "method", "reference"])

    def signed_minor(self) -> int:
        amount: int = self.cleaned_data["amount_minor"]
        return -amount if self.cleaned_data["way"] == "back" else amount


class CreditForm(forms.Form):
    """What a credit note takes back: all that is left, or an amount for each rate of tax."""

    reason = forms.CharField(
        label="Why?", max_length=240, help_text="The client reads this on the credit note."
    )
    extent = forms.ChoiceField(
        label="How much?",
        choices=[("all", "All that is left of the invoice"), ("part", "A part of it")],
        widget=forms.RadioSelect,
        initial="all",
    )

    def __init__(self, *args: Any, invoice: Invoice, left: list[money.TaxSum], **kwargs: Any):
        super().__init__(*args, **kwargs)
        self.left = left
        for place, tax in enumerate(left):
            most = money.format_minor(tax.base_minor + tax.tax_minor, invoice.currency)
            named = f"{tax.name or 'no tax'} {money.percent_text(tax.percent)} %".strip()
            self.fields[f"amount_{place}"] = MoneyField(
                currency=invoice.currency,
                required=False,
                label=f"Amount with tax, at {named}",
                help_text=f"At most {most}.",
            )

    def amounts_minor(self) -> list[int] | None:
        if self.cleaned_data["extent"] == "all":
            return None
        return [self.cleaned_data[f"amount_{place}"] or 0 for place in range(len(self.left))]

    def clean(self) -> dict[str, Any]:
        super().clean()
        if (
            self.cleaned_data.get("extent") == "part"
            and not self.errors
            and not any(self.amounts_minor() or ())
        ):
            raise ValidationError("Give the amount that is to be credited.")
        return self.cleaned_data


class InvoiceFilterForm(forms.Form):
    """The sentence above the list: which invoices, of which year, of whom."""

    WHICH = [
        ("", "all"),
        ("open", "open"),
        ("overdue", "overdue"),
        ("paid", "paid"),
        ("refund", "to pay back"),
    ]

    which = forms.ChoiceField(choices=WHICH, required=False, label="Which")
    year = forms.TypedChoiceField(coerce=int, empty_value=None, required=False, label="Year")
    words = forms.CharField(required=False, max_length=80, label="With the words")

    def __init__(self, *args: Any, years: list[int], **kwargs: Any):
        super().__init__(*args, **kwargs)
        self.fields["year"].choices = [("", "all years"), *[(year, str(year)) for year in years]]  # type: ignore[attr-defined]
        self.fields["words"].widget.attrs |= {"placeholder": "anyone", "autocomplete": "off"}
