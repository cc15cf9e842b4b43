"""What a person asks of a picture: written down with a guard, so that two people never undo each other."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db import transaction
from django.db.models import F

from listings import correcting
from listings.errors import StalePlan
from listings.models import Correction, Picture
from studio import records
from studio.models import User

STALE_WORDS = (
    "Someone else changed this picture while you were looking at it. Nothing of yours was written: "
    "look at the present version, then ask again."
)


def ask(picture: Picture, wish: dict[str, Any], *, seen_version: int, by: User, now: dt.datetime) -> None:
    """Have the picture made again as wished; StalePlan if it was changed since `seen_version`."""
    with transaction.atomic():
        _change(
            picture,
            seen_version,
            wish=wish,
            wished_by=by,
            plan_digest="",
            state=Picture.State.WAITING,
            reason="",
        )
        records.note("asked for a new version", booking=picture.booking, user=by, now=now, wish=wish)
        correcting.queue_visit(picture.booking, now=now)


def use(picture: Picture, version: Correction, *, seen_version: int, by: User, now: dt.datetime) -> None:
    """Take an earlier version again; nothing has to be made."""
    with transaction.atomic():
        _change(
            picture,
            seen_version,
            wish=version.wish,
            wished_by=by,
            correction=version,
            plan=version.plan,
            plan_digest=version.plan_digest,
            method_version=version.method_version,
            made_at=version.made_at,
            state=Picture.State.MADE,
            reason="",
        )
        records.note(
            "took an earlier version",
            booking=picture.booking,
            user=by,
            now=now,
            version=str(version.public_id),
        )


def _change(picture: Picture, seen_version: int, **changes: Any) -> None:
    changed = Picture.objects.filter(pk=picture.pk, plan_version=seen_version).update(
        plan_version=F("plan_version") + 1, is_touched=True, attempts=0, claimed_until=None, **changes
    )
    if not changed:
        raise StalePlan(STALE_WORDS)


def words(wish: dict[str, Any]) -> str:
    """Say what was wished in a few words; an empty wish is what the machine thinks right."""
    parts = []
    if ev := wish.get("brightness_ev"):
        parts.append(f"{'brighter' if ev > 0 else 'darker'} by {abs(ev):.1f} EV")
    for key, name in (("lift", "lift"), ("warmth_kept", "warmth kept"), ("window_hold", "window hold")):
        if wish.get(key) is not None:
            parts.append(f"{name} {wish[key] * 100:.0f} %")
    if wish.get("level") == {"roll_deg": 0.0, "pitch_deg": 0.0}:
        parts.append("level left as taken")
    elif wish.get("level"):
        parts.append("level set by hand")
    return ", ".join(parts) or "as found by itself"
