"""What a client sends from the gallery."""

from __future__ import annotations

from typing import Any

from django import forms

WHERE = (
    ("", "The whole picture"),
    ("0,0", "Upper left"),
    ("1,0", "Upper middle"),
    ("2,0", "Upper right"),
    ("0,1", "Left"),
    ("1,1", "Middle"),
    ("2,1", "Right"),
    ("0,2", "Lower left"),
    ("1,2", "Lower middle"),
    ("2,2", "Lower right"),
)


class PassphraseForm(forms.Form):
    words = forms.CharField(
        label="Passphrase",
        max_length=200,
        widget=forms.TextInput(
            attrs={"autocomplete": "off", "autocapitalize": "none", "spellcheck": "false"}
        ),
    )


class ChangeForm(forms.Form):
    """What should be changed, and where; the exact place comes from a tap on the picture."""

    text = forms.CharField(
        label="What should be changed?", max_length=2000, widget=forms.Textarea(attrs={"rows": 4})
    )
    where = forms.ChoiceField(label="Where in the picture?", choices=WHERE, required=False)
    x_share = forms.FloatField(required=False, min_value=0, max_value=1, widget=forms.HiddenInput)
    y_share = forms.FloatField(required=False, min_value=0, max_value=1, widget=forms.HiddenInput)

    def place(self) -> tuple[float, float] | None:
        """Return the place as shares of width and height, or None for the whole picture."""
        data: dict[str, Any] = self.cleaned_data
        if data.get("x_share") is not None and data.get("y_share") is not None:
            return data["x_share"], data["y_share"]
        if data.get("where"):
            column, row = (int(part) for part in data["where"].split(","))
            return (column + 0.5) / 3, (row + 0.5) / 3
        return None


class AnswerForm(forms.Form):
    """What the studio answers."""

    answer = forms.CharField(label="Answer", max_length=2000, widget=forms.Textarea(attrs={"rows": 3}))
