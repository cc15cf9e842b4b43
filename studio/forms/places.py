"""Homes: where they are and how large, as agents and staff write it."""

from __future__ import annotations

import re
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from studio import sunlight
from studio.models import Property

NUMBER = r"[-+]?\d{1,3}(?:\.\d+)?"
# latitude, longitude, perhaps a height, perhaps parameters (phones add ?z= to a geo: link)
POINT = re.compile(
    rf"^\s*(?:geo:)?\s*({NUMBER})\s*[,; ]\s*({NUMBER})(?:,[-+]?\d+(?:\.\d+)?)?\s*([;?].*)?$", re.IGNORECASE
)
OTHER_SYSTEM = re.compile(r";crs=(?!wgs84(?:;|$))", re.IGNORECASE)


class PointField(forms.CharField):
    """A point on the map: '54.123, -2.456' or a geo: link (RFC 5870); gives (latitude, longitude) or None."""

    def clean(self, value: Any) -> tuple[float, float] | None:
        text = super().clean(value)
        if not text:
            return None
        match = POINT.match(text)
        if match and not OTHER_SYSTEM.search(match[3] or ""):
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


class DirectionInput(forms.TextInput):
    """A line to write a direction in, with the eight winds to choose from."""

    def render(self, name: str, value: Any, attrs: Any = None, renderer: Any = None) -> SafeString:
        winds = f"{(attrs or {}).get('id', name)}_winds"
        options = format_html_join("", "<option>{}</option>", ((wind,) for wind in sunlight.SIXTEENTHS[::2]))
        line = super().render(name, value, {**(attrs or {}), "list": winds}, renderer)
        return format_html('{}<datalist id="{}">{}</datalist>', line, winds, options)


class DirectionField(forms.CharField):
    """Which way something faces: a wind by name or letters, or degrees from north; None when not known."""

    widget = DirectionInput(attrs={"autocomplete": "off"})

    def clean(self, value: Any) -> float | None:
        text = super().clean(value)
        try:
            return sunlight.bearing_in(text)
        except ValueError as error:
            raise ValidationError(
                "That is not a direction. Write one such as south-west or SW, or degrees from north over "
                "east, 0 to 360; or leave it empty."
            ) from error

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, float):
            return sunlight.bearing_words(value) if value % 22.5 == 0 else f"{value:g}"
        return value


class HomeForm(forms.ModelForm):
    """The home, for the request page and for staff."""

    point = PointField(
        label="Map point",
        required=False,
        help_text="Latitude and longitude, or a geo: link; it decides the travel, and the sun outside. "
        "Without it the postcode decides.",
    )
    front = DirectionField(
        label="The front faces",
        required=False,
        max_length=40,
        help_text="Where you look with the front door behind you: south-west, SW, or degrees from north.",
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
        self.initial.setdefault("point", self.instance.point)
        self.initial.setdefault("front", self.instance.front_bearing_deg)

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
        self.instance.front_bearing_deg = self.cleaned_data.get("front")
        return super().save(commit)

    def as_values(self) -> dict[str, Any]:
        """Return the home's columns as plain values, to be kept with a request."""
        values = {name: self.cleaned_data[name] for name in self.Meta.fields}
        if point := self.cleaned_data.get("point"):
            values |= {"latitude_deg": point[0], "longitude_deg": point[1]}
        if self.cleaned_data.get("front") is not None:
            values["front_bearing_deg"] = self.cleaned_data["front"]
        return values
