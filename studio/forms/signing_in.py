"""Signing in, and the first owner's set-up."""

from __future__ import annotations

import zoneinfo
from typing import Any

from django import forms
from django.contrib.auth import authenticate
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.http import HttpRequest

from studio import money
from studio.models import User


class PasswordForm(forms.Form):
    """Mail address and password of a member of staff."""

    email = forms.EmailField(
        label="Mail address", widget=forms.EmailInput(attrs={"autocomplete": "username"})
    )
    password = forms.CharField(
        label="Password",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )
    next = forms.CharField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, request: HttpRequest, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request = request
        self.user: User | None = None

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if not self.errors:
            user = authenticate(self.request, username=cleaned["email"].lower(), password=cleaned["password"])
            if not isinstance(user, User):
                raise ValidationError(
                    "This mail address and password don't fit together. Look at capital letters, and at "
                    "which address the account was made with; the owner can set a new password."
                )
            self.user = user
        return cleaned


class LinkForm(forms.Form):
    """Mail address of an agent who wants a link."""

    email = forms.EmailField(label="Mail address", widget=forms.EmailInput(attrs={"autocomplete": "email"}))
    next = forms.CharField(required=False, widget=forms.HiddenInput)


def time_zone_choices() -> list[tuple[str, str]]:
    names = sorted(name for name in zoneinfo.available_timezones() if "/" in name or name == "UTC")
    return [(name, name.replace("_", " ")) for name in names if not name.startswith(("Etc/", "SystemV/"))]


def clean_currency(code: str) -> str:
    """Return the code in capitals, or say that it is not one."""
    try:
        money.minor_units(code.upper())
    except ValueError as error:
        raise ValidationError(
            f"{code!r} is not a currency code. Use the three letters of ISO 4217, such as EUR, GBP or USD."
        ) from error
    return code.upper()


class SetUpForm(forms.Form):
    """The first owner, and the little that the business can't work without."""

    business_name = forms.CharField(
        label="What is the business called?",
        max_length=160,
        help_text="It stands on pages, mails and invoices.",
    )
    currency = forms.CharField(
        label="Currency",
        max_length=3,
        min_length=3,
        initial="EUR",
        help_text="Three letters: EUR, GBP, USD ...",
        widget=forms.TextInput(attrs={"class": "short", "autocapitalize": "characters"}),
    )
    time_zone = forms.ChoiceField(
        label="Time zone",
        choices=lambda: [("", "Choose the nearest place"), *time_zone_choices()],
        help_text="Of the place where you photograph.",
    )
    name = forms.CharField(
        label="Your name", max_length=120, widget=forms.TextInput(attrs={"autocomplete": "name"})
    )
    email = forms.EmailField(
        label="Your mail address", widget=forms.EmailInput(attrs={"autocomplete": "username"})
    )
    password = forms.CharField(
        label="Password",
        strip=False,
        help_text="At least ten characters; a few unrelated words are easier to keep in mind than signs.",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )

    def clean_currency(self) -> str:
        return clean_currency(self.cleaned_data["currency"])

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if password := cleaned.get("password"):
            someone = User(email=cleaned.get("email", ""), name=cleaned.get("name", ""))
            try:
                validate_password(password, someone)
            except ValidationError as error:
                self.add_error("password", error)
        return cleaned
