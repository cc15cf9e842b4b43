"""The sentence above the list of mails."""

from __future__ import annotations

from django import forms

from studio.models import Message


class MailFilterForm(forms.Form):
    """Which mails, with which words."""

    state = forms.ChoiceField(
        choices=[("", "all"), *((state.value, state.label.lower()) for state in Message.State)],
        required=False,
        label="Which",
    )
    words = forms.CharField(
        required=False,
        max_length=80,
        label="With the words",
        widget=forms.TextInput(attrs={"placeholder": "any", "autocomplete": "off"}),
    )
