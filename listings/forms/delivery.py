"""What the delivery page sends."""

from __future__ import annotations

import uuid

from django import forms

from listings.models import DeliveryItem


class WordsForm(forms.ModelForm):
    """Caption and alternative text of one picture."""

    class Meta:
        model = DeliveryItem
        fields = ("caption", "alt_text")
        labels = {"caption": "Caption", "alt_text": "For people who can't see it"}
        widgets = {"alt_text": forms.Textarea(attrs={"rows": 2})}


class OrderForm(forms.Form):
    """The whole order after a drag, or one step; guarded by the version that was seen."""

    version = forms.IntegerField(min_value=0)
    order = forms.CharField(required=False, max_length=40_000)
    item = forms.UUIDField(required=False)
    to = forms.ChoiceField(
        choices=[(to, to) for to in ("up", "down", "first", "walk", "out", "in")], required=False
    )

    def clean_order(self) -> list[uuid.UUID]:
        try:
            return [uuid.UUID(part) for part in self.cleaned_data["order"].split(",") if part]
        except ValueError as error:
            raise forms.ValidationError("The order isn't readable; the page has it as it was.") from error


class ConsentForm(forms.Form):
    consent = forms.CharField(
        label="Who agreed, when and how?",
        max_length=300,
        help_text="Such as: J. Reed, tenant, in writing on 3 June, kept in the file.",
    )


class SendForm(forms.Form):
    """To whom the set goes, with which words."""

    version = forms.IntegerField(min_value=0, widget=forms.HiddenInput)
    to = forms.EmailField(label="To")
    message = forms.CharField(
        label="A line to the client",
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 3}),
    )
    passphrase = forms.CharField(
        label="Passphrase",
        required=False,
        max_length=120,
        help_text="The gallery asks for it. It isn't put into the mail: tell it another way.",
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )


class LinkForm(forms.Form):
    """Another address of the same gallery."""

    label = forms.CharField(label="For whom", max_length=120)
    passphrase = forms.CharField(
        label="Passphrase",
        required=False,
        max_length=120,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
