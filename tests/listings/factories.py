"""Rows and files of the listings for tests."""

from __future__ import annotations

import datetime as dt
import hashlib
import io
from pathlib import Path
from typing import Any

import numpy as np
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from PIL import Image

from listings.models import Correction, Frame, Picture, Room, Shot
from studio.models import Booking, User
from tests.factories import NOW

BACKEND = "django.contrib.auth.backends.ModelBackend"


def sign_in(browser: Any, user: User) -> User:
    browser.force_login(user, backend=BACKEND)
    return user


def jpeg_bytes(seed: int = 1, size: tuple[int, int] = (96, 64)) -> bytes:
    """A small picture that no other seed gives."""
    pixels = np.random.default_rng(seed).integers(0, 255, (size[1], size[0], 3), dtype=np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=90)
    return buffer.getvalue()


def write_jpeg(path: Path, seed: int = 1, size: tuple[int, int] = (96, 64)) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(jpeg_bytes(seed, size))
    return path


def make_frame(booking: Booking, **changed: Any) -> Frame:
    """A frame whose file is in the storage."""
    content = changed.pop("content", None) or jpeg_bytes(Frame.objects.count() + 1000)
    sha256 = hashlib.sha256(content).hexdigest()
    name = changed.pop("name", f"F{Frame.objects.count():04d}.JPG")
    stored = default_storage.save(f"originals/{booking.public_id}/{sha256}/{name}", ContentFile(content))
    values: dict[str, Any] = {
        "sha256": sha256,
        "size": len(content),
        "file": stored,
        "state": Frame.State.READ,
        "taken_at": NOW,
    }
    return Frame.objects.create(booking=booking, name=name, **(values | changed))


def make_picture(booking: Booking, **changed: Any) -> Picture:
    """A picture that is made, unless the test says otherwise."""
    values: dict[str, Any] = {
        "state": Picture.State.MADE,
        "analysis": {},
        "plan": {"tone": {"lift": 0.5}, "light": {"warmth_kept": 0.2}},
        "plan_digest": "a" * 64,
        "method_version": "1",
        "taken_at": NOW,
    }
    is_made = changed.pop("is_made", True)
    picture = Picture.objects.create(booking=booking, **(values | changed))
    if is_made:
        picture.correction = make_correction(picture)
        picture.save(update_fields=["correction"])
    return picture


def make_correction(picture: Picture, **changed: Any) -> Correction:
    values: dict[str, Any] = {
        "frames_digest": "f" * 64,
        "plan_digest": picture.plan_digest,
        "method_version": "1",
        "plan": picture.plan,
        "report": {"quality": {"needs_look": []}},
        "width": 96,
        "height": 64,
        "sha256": "0" * 64,
        "seconds": 2.0,
        "made_at": NOW,
    }
    stem = f"pictures/{picture.booking.public_id}/{picture.public_id}/"
    for what, field in (
        ("full", "file"),
        ("preview", "preview"),
        ("thumbnail", "thumbnail"),
        ("before", "before"),
    ):
        values[field] = default_storage.save(f"{stem}{what}.jpg", ContentFile(jpeg_bytes(picture.pk)))
    return Correction.objects.create(picture=picture, **(values | changed))


def make_room(booking: Booking, **changed: Any) -> Room:
    values: dict[str, Any] = {"name": "Kitchen", "kind": "kitchen", "position": booking.rooms.count()}
    return Room.objects.create(booking=booking, **(values | changed))


def make_shot(room: Room, **changed: Any) -> Shot:
    values: dict[str, Any] = {"view": "from the doorway", "position": room.shots.count()}
    return Shot.objects.create(room=room, **(values | changed))


def minutes(count: float) -> dt.timedelta:
    return dt.timedelta(minutes=count)
