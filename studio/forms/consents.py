"""Forms about a tenant's consent."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from studio.models import Business, Consent

YES_OR_NO = (("yes", "Yes"), ("no", "No"))


class AnswerForm(forms.Form):
    """The tenant's answer; the two buttons send `answer`."""

    name = forms.CharField(
        label="Your name", max_length=120, widget=forms.TextInput(attrs={"autocomplete": "name"})
    )
    answer = forms.ChoiceField(choices=YES_OR_NO)
    seen = forms.CharField(max_length=16, widget=forms.HiddenInput)


class AskForm(forms.Form):
    email = forms.EmailField(label="The tenant's mail address")


class WriteDownForm(forms.Form):
    """An answer that came another way than by the link."""

    name = forms.CharField(label="Who answered", max_length=120)
    answer = forms.ChoiceField(label="They said", choices=YES_OR_NO)
    how = forms.ChoiceField(label="How", choices=[row for row in Consent.How.choices if row[0] != "link"])
    on = forms.DateField(label="When", widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
    note = forms.CharField(
        label="More words", max_length=300, required=False, help_text="Such as where the paper is kept."
    )

    def clean_on(self) -> Any:
        on = self.cleaned_data["on"]
        if on > timezone.now().astimezone(Business.current().zone).date():
            raise ValidationError("That day is still to come.")
        return on
