"""Homes: where they are and how large, as agents and staff write it."""

from __future__ import annotations

import re
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from studio.models import Property

NUMBER = r"[-+]?\d{1,3}(?:\.\d+)?"
POINT = re.compile(rf"^\s*(?:geo:)?\s*({NUMBER})\s*[,; ]\s*({NUMBER})", re.IGNORECASE)


class PointField(forms.CharField):
    """A point on the map: '54.123, -2.456' or a geo: link (RFC 5870); gives (latitude, longitude) or None."""

    def clean(self, value: Any) -> tuple[float, float] | None:
        text = super().clean(value)
        if not text:
            return None
        match = POINT.match(text)
        if match:
            latitude, longitude = float(match[1]), float(match[2])
            if abs(latitude) <= 90 and abs(longitude) <= 180:
                return latitude, longitude
        raise ValidationError(
            "That is not a map point. Write latitude and longitude in degrees, such as 54.120, -2.460, "
            "or paste a geo: link; or leave it empty."
        )

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, tuple):
            return f"{value[0]:.6f}, {value[1]:.6f}"
        return value


class HomeForm(forms.ModelForm):
    """The home, for the request page and for staff."""

    point = PointField(
        label="Map point",
        required=False,
        help_text="Latitude and longitude, or a geo: link; it decides the travel.",
    )

    class Meta:
        model = Property
        fields = [
            "street", "city", "postcode", "kind", "floor_area_m2", "bedrooms", "bathrooms", "floors",
            "occupied_by",
        ]  # fmt: skip
        labels = {
            "street": "Street and number",
            "city": "Town",
            "postcode": "Postcode",
            "kind": "What kind of home is it?",
            "floor_area_m2": "Floor area in m²",
            "occupied_by": "Who lives there?",
        }
        widgets = {
            "street": forms.TextInput(attrs={"autocomplete": "off"}),
            "floor_area_m2": forms.NumberInput(attrs={"min": 10, "max": 5000, "inputmode": "numeric"}),
            "bedrooms": forms.NumberInput(attrs={"min": 0, "max": 40}),
            "bathrooms": forms.NumberInput(attrs={"min": 0, "max": 40}),
            "floors": forms.NumberInput(attrs={"min": 1, "max": 40}),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk:
            self.initial["point"] = self.instance.point

    def clean_floor_area_m2(self) -> int | None:
        area = self.cleaned_data.get("floor_area_m2")
        if area is not None and not 10 <= area <= 5000:
            raise ValidationError("Between 10 and 5000 m², please. For anything larger, call us.")
        return area

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        for name in ("bedrooms", "bathrooms", "floors"):
            if (cleaned.get(name) or 0) > 40:
                self.add_error(name, "At most 40, please. For anything larger, call us.")
        return cleaned

    def save(self, commit: bool = True) -> Property:
        point = self.cleaned_data.get("point")
        self.instance.latitude_deg, self.instance.longitude_deg = point if point else (None, None)
        return super().save(commit)

    def as_values(self) -> dict[str, Any]:
        """Return the home's columns as plain values, to be kept with a request."""
        values = {name: self.cleaned_data[name] for name in self.Meta.fields}
        if point := self.cleaned_data.get("point"):
            values |= {"latitude_deg": point[0], "longitude_deg": point[1]}
        return values
