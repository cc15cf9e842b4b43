"""Bringing a table of zones."""

from __future__ import annotations

from django import forms


class ZonesForm(forms.Form):
    """The file with the table; what is in it is read by `studio.zone_files`."""

    table = forms.FileField(
        label="The table, as CSV",
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,text/csv"}),
        help_text="It takes the place of all zones that stand here.",
        error_messages={
            "required": "Choose the file first.",
            "empty": "The file is empty; nothing was changed.",
        },
    )
