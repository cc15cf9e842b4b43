"""The questions of the page of the sun."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms

from studio.forms.places import DirectionField, PointField
from studio.forms.signing_in import time_zone_choices


class SunForm(forms.Form):
    """A place, a day, a front and a clock; all may be left out."""

    on = forms.DateField(
        label="Day", required=False, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
    point = PointField(label="Map point", required=False, help_text="Latitude and longitude, or a geo: link.")
    front = DirectionField(
        label="The front faces", required=False, max_length=40, help_text="South-west, SW, or degrees."
    )
    zone = forms.ChoiceField(label="Clock of", required=False, choices=time_zone_choices)

    def clean_on(self) -> dt.date | None:
        on: dt.date | None = self.cleaned_data["on"]
        if on and not 1970 <= on.year <= 2999:
            raise forms.ValidationError("A day of the years 1970 to 2999, please.")
        return on

    def good(self, name: str, fallback: Any = None) -> Any:
        """Return what was written, or the fallback where nothing or nothing readable was."""
        value = self.cleaned_data.get(name)
        return fallback if value in (None, "") else value
