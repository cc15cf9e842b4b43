"""What the intake pages send, turned into finished values."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from listings import cards
from listings.errors import NotTaken
from studio.models import Booking


class FolderForm(forms.Form):
    """A folder on this machine and the visit that it belongs to."""

    visit = forms.ModelChoiceField(
        queryset=Booking.objects.none(), to_field_name="public_id", empty_label="Choose the visit"
    )
    root = forms.IntegerField(min_value=0, widget=forms.HiddenInput)
    relative = forms.CharField(max_length=1000, widget=forms.HiddenInput, strip=False)

    def __init__(self, visits: Any, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["visit"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = visits

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        if "root" in data and "relative" in data:
            try:
                data["folder"] = cards.resolve(data["root"], data["relative"])
            except NotTaken as error:
                raise ValidationError(str(error)) from error
        return data

    @property
    def folder(self) -> Path:
        folder: Path = self.cleaned_data["folder"]
        return folder


class KnownForm(forms.Form):
    """Sums of files that are about to be sent."""

    batch = forms.UUIDField(required=False)
    listed = forms.CharField(max_length=2_000_000)

    def clean_listed(self) -> list[dict[str, Any]]:
        try:
            return [_listed(row) for row in json.loads(self.cleaned_data["listed"])]
        except (ValueError, TypeError, KeyError, OverflowError) as error:
            raise ValidationError("The list of files can't be read.") from error


def _listed(row: dict[str, Any]) -> dict[str, Any]:
    return {"name": str(row["name"])[-255:], "size": int(row["size"]), "sha256": str(row["sha256"]).lower()}


class PostedFilesField(forms.FileField):
    """Several files in one plain form, for browsers without JavaScript."""

    widget = type("Files", (forms.ClearableFileInput,), {"allow_multiple_selected": True})

    def clean(self, data: Any, initial: Any = None) -> list[Any]:
        single = super().clean
        return [single(file, initial) for file in (data or [])] or [single(None, initial)]


class PostedForm(forms.Form):
    frames = PostedFilesField()
