"""What the sheet and the picture page send, turned into finished values."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError

from listings.models import Picture, Room, Shot
from studio.models import Booking

LEVEL_OFF = {"roll_deg": 0.0, "pitch_deg": 0.0}


class PlaceForm(forms.Form):
    """Where marked pictures belong: 'room:<id>', 'shot:<id>', or nowhere yet."""

    pictures = forms.CharField(required=False)
    place = forms.CharField(required=False, max_length=60)

    def __init__(self, booking: Booking, data: Any = None) -> None:
        super().__init__(data)
        self.booking = booking
        self.marked = data.getlist("picture") if data else []

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        data["pictures"] = list(Picture.objects.filter(booking=self.booking, public_id__in=self._ids()))
        if not data["pictures"]:
            raise ValidationError("Mark the pictures first, then say where they belong.")
        data["room"], data["shot"] = self._place(data.get("place", ""))
        return data

    def _ids(self) -> list[UUID]:
        try:
            return [UUID(text) for text in self.marked]
        except ValueError as error:
            raise ValidationError("These pictures are not of this visit.") from error

    def _place(self, text: str) -> tuple[Room | None, Shot | None]:
        kind, _, public_id = text.partition(":")
        try:
            if kind == "room":
                return Room.objects.get(booking=self.booking, public_id=public_id), None
            if kind == "shot":
                shot = Shot.objects.select_related("room").get(
                    room__booking=self.booking, public_id=public_id
                )
                return shot.room, shot
        except (Room.DoesNotExist, Shot.DoesNotExist, ValidationError) as error:
            raise ValidationError("That room is no longer on the list. Reload the page.") from error
        return None, None


class WishForm(forms.Form):
    """The few controls of this page. Their names are the plan file's keys."""

    plan_version = forms.IntegerField(widget=forms.HiddenInput, min_value=0)
    brightness_ev = forms.FloatField(label="Brightness", min_value=-2, max_value=2)
    lift = forms.FloatField(label="Lift of dark areas", min_value=0, max_value=1)
    warmth_kept = forms.FloatField(label="Warmth kept", min_value=0, max_value=1)
    level = forms.ChoiceField(
        label="Level",
        choices=[("on", "Upright, as found"), ("off", "As taken")],
        widget=forms.RadioSelect,
    )

    def __init__(self, picture: Picture, data: Any = None) -> None:
        self.picture = picture
        super().__init__(data, initial=present(picture))
        for name, step in (("brightness_ev", "0.1"), ("lift", "0.05"), ("warmth_kept", "0.05")):
            field = self.fields[name]
            assert isinstance(field, forms.FloatField)
            field.widget = forms.NumberInput(
                attrs={"type": "range", "min": field.min_value, "max": field.max_value, "step": step}
            )

    @property
    def wish(self) -> dict[str, Any]:
        """Return the present wish with what was moved here; untouched controls stay with the machine."""
        wish = dict(self.picture.wish)
        for name in ("brightness_ev", "lift", "warmth_kept"):
            if abs(self.cleaned_data[name] - float(self.initial[name])) > 1e-6:
                wish[name] = round(self.cleaned_data[name], 3)
        if self.cleaned_data["level"] != self.initial["level"]:
            wish.pop("level", None)
            if self.cleaned_data["level"] == "off":
                wish["level"] = LEVEL_OFF
        if not wish.get("brightness_ev", 1):
            wish.pop("brightness_ev")
        return wish


def present(picture: Picture) -> dict[str, Any]:
    """Return where the controls stand: at the wish, else at what was settled."""
    wish, plan = picture.wish, picture.plan or {}
    lift = plan.get("tone", {}).get("lift", 0.5)
    warmth = plan.get("light", {}).get("warmth_kept", 0.2)
    return {
        "plan_version": picture.plan_version,
        "brightness_ev": wish.get("brightness_ev", 0.0),
        "lift": wish.get("lift", round(lift / 0.05) * 0.05),
        "warmth_kept": wish.get("warmth_kept", round(warmth / 0.05) * 0.05),
        "level": "off" if wish.get("level") == LEVEL_OFF else "on",
    }
