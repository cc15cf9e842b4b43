"""Clients and agencies."""

from __future__ import annotations

from django import forms
from django.core.exceptions import ValidationError

from studio.models import Agency, Client


class ClientForm(forms.ModelForm):
    class Meta:
        model = Client
        fields = [
            "name", "email", "phone", "agency", "is_known", "release", "price_list", "payment_days",
            "address", "country_code", "tax_id", "notes",
        ]  # fmt: skip
        labels = {
            "name": "Name", "email": "Mail", "phone": "Telephone",
            "is_known": "Known to us: free times are agreed at once",
            "release": "When may files be downloaded?", "price_list": "Own price list",
            "payment_days": "Days to pay", "address": "Address for invoices",
            "country_code": "Country, two letters", "tax_id": "Tax number", "notes": "Notes",
        }  # fmt: skip
        help_texts = {
            "email": "Links to sign in, galleries and letters go here.",
            "is_known": "",
            "payment_days": "Left empty: as the business has it.",
            "notes": "Only staff read them.",
        }
        widgets = {
            "address": forms.Textarea(attrs={"rows": 3}),
            "notes": forms.Textarea(attrs={"rows": 3}),
            "country_code": forms.TextInput(attrs={"class": "short"}),
            "payment_days": forms.NumberInput(attrs={"class": "short"}),
        }

    def clean_email(self) -> str:
        email: str = self.cleaned_data["email"].lower()
        others = Client.objects.filter(email__iexact=email).exclude(pk=self.instance.pk)
        if other := others.first():
            raise ValidationError(f"{other.name} has this address already; two clients can't share one.")
        return email

    def clean_country_code(self) -> str:
        return self.cleaned_data["country_code"].upper()


class AgencyForm(forms.ModelForm):
    class Meta:
        model = Agency
        fields = ["name", "billing_email", "billing_address", "country_code", "tax_id", "notes"]
        labels = {
            "billing_email": "Mail for invoices",
            "billing_address": "Address for invoices",
            "country_code": "Country, two letters",
            "tax_id": "Tax number",
        }
        widgets = {
            "billing_address": forms.Textarea(attrs={"rows": 3}),
            "notes": forms.Textarea(attrs={"rows": 3}),
            "country_code": forms.TextInput(attrs={"class": "short"}),
        }

    def clean_country_code(self) -> str:
        return self.cleaned_data["country_code"].upper()
