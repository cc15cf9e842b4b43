"""What the page on site sends, turned into finished acts."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any
from uuid import uuid4

from django import forms
from django.core.exceptions import ValidationError

from listings.operations import KINDS, Act, server_time
from listings.room_kinds import ROOM_KINDS

REASONS = (
    "Not wanted by the client",
    "Room not ready",
    "No access",
    "No good view of it",
)
# The fields on the page stop at 4000; what a phone has kept all the same must not be lost.
LONGEST_TEXT = 20_000


class ActForm(forms.Form):
    """One act. The page's module adds device, sequence and the device's times; without it they are ours."""

    uuid = forms.UUIDField(required=False)
    kind = forms.ChoiceField(choices=[(kind, kind) for kind in KINDS])
    item = forms.UUIDField(required=False)
    room = forms.UUIDField(required=False)
    text = forms.CharField(required=False, max_length=LONGEST_TEXT)
    reason = forms.CharField(required=False, max_length=200)
    device = forms.CharField(required=False, max_length=64)
    sequence = forms.IntegerField(required=False, min_value=0, max_value=2**31 - 1)
    happened_ms = forms.IntegerField(required=False, min_value=0, max_value=2**53)
    sent_ms = forms.IntegerField(required=False, min_value=0, max_value=2**53)

    def act(self, now: dt.datetime) -> Act:
        """Return the act with its time by the server's clock."""
        data: dict[str, Any] = self.cleaned_data
        happened_at = now
        if data["happened_ms"] and data["sent_ms"]:
            happened_at = server_time(_moment(data["happened_ms"]), sent_at=_moment(data["sent_ms"]), now=now)
        return Act(
            uuid=data["uuid"] or uuid4(),
            kind=data["kind"],
            happened_at=happened_at,
            device=data["device"] or "page",
            sequence=data["sequence"] or 0,
            item=data["item"],
            room=data["room"],
            text=data["text"].strip() or data["reason"].strip(),
        )


class RoomForm(forms.Form):
    """A room that nobody had foreseen."""

    kind = forms.ChoiceField(
        label="What is it?", choices=[(key, kind.label) for key, kind in ROOM_KINDS.items()]
    )
    name = forms.CharField(label="Its name", required=False, max_length=80, help_text="Such as Bedroom 4.")
    uuid = forms.UUIDField(required=False, widget=forms.HiddenInput)

    def act(self, now: dt.datetime) -> Act:
        data = self.cleaned_data
        return Act(data["uuid"] or uuid4(), "add-room", now, text=f"{data['kind']}:{data['name']}")


def read_acts(body: bytes, now: dt.datetime) -> tuple[list[Act], dict[str, str]]:
    """Read a batch as the page's module sends it: its acts, and the reasons of those that can't be read.

    One bad act is refused under its own identifier, so that what was ticked after it does not wait behind
    it for ever. ValidationError: there is nothing to answer to.
    """
    try:
        batch = json.loads(body)
        rows = batch["acts"]
        sent_ms = int(batch["sent_ms"])
    except (ValueError, KeyError, TypeError, OverflowError) as error:
        raise ValidationError("The batch is not readable.") from error
    acts: list[Act] = []
    refused: dict[str, str] = {}
    for row in rows if isinstance(rows, list) else []:
        form = ActForm({**row, "sent_ms": sent_ms} if isinstance(row, dict) else {})
        if form.is_valid():
            acts.append(form.act(now))
        elif "uuid" in form.errors or not form.cleaned_data.get("uuid"):
            raise ValidationError(f"An act is not readable: {form.errors.as_text()}")
        else:
            words = " ".join(str(errors[0]) for errors in form.errors.values())
            refused[str(row["uuid"])] = f"refused: one act is not readable. {words}"
    return acts, refused


def _moment(milliseconds: int) -> dt.datetime:
    return dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(milliseconds=milliseconds)
