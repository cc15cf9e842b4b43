"""Copies: files made from a correction for one purpose, each once."""

from __future__ import annotations

import hashlib
import json
import zlib
from pathlib import Path
from typing import Any

from django.utils import timezone

from listings import claims, making, storing
from listings.correcting import again
from listings.errors import CannotMake, MakerLost
from listings.models import Correction, PictureCopy, Purpose
from listings.queueing import WORK, queue


def request(correction: Correction, purpose: Purpose, metadata: dict[str, Any]) -> PictureCopy:
    """Ask for the file of a correction for a purpose; the same wish twice is the same copy.

    `metadata` holds keyword arguments of `processing.metadata.Metadata` (caption, creator...), plain values.
    """
    figures = [purpose.long_edge_px, str(purpose.max_megabytes), purpose.quality, purpose.dpi]
    text = json.dumps([figures, metadata], sort_keys=True, ensure_ascii=True)
    copy, is_new = PictureCopy.objects.get_or_create(
        correction=correction,
        purpose=purpose,
        metadata_digest=hashlib.sha256(text.encode()).hexdigest(),
        defaults={"metadata": metadata},
    )
    if is_new:
        queue("make_copy", copy.pk)
    return copy


def try_again(copy: PictureCopy) -> None:
    """Put a failed copy back into the work."""
    state = PictureCopy.State
    if PictureCopy.objects.filter(pk=copy.pk, state=state.FAILED).update(
        state=state.WAITING, reason="", attempts=0, claimed_until=None
    ):
        queue("make_copy", copy.pk)


def make_copy(pk: int) -> None:
    """Make one copy's file, look at it, and write down its sums."""
    now = timezone.now()
    if (claim := claims.take(WORK["make_copy"](now), pk, now=now)) is None:
        return
    copy = PictureCopy.objects.select_related("correction__picture__booking", "purpose").get(pk=pk)
    try:
        with storing.work_folder() as folder, storing.local_copies(copy.correction.file) as (source,):
            path = folder / "copy.jpg"
            made = making.run("copy", renew=claim.renew, **_job(copy, source, path))
            facts = {
                "sha256": storing.hash_file(path),
                "crc32": _crc32(path),
                "size": path.stat().st_size,
                "file": storing.put(path, _name(copy)),
                "width": made["width"],
                "height": made["height"],
            }
    except CannotMake as error:
        claim.end(state=PictureCopy.State.FAILED, reason=str(error)[:300])
    except MakerLost as error:
        again(claim, "make_copy", copy.attempts, error, state=PictureCopy.State.FAILED)
    else:
        claim.end(state=PictureCopy.State.MADE, made_at=timezone.now(), reason="", attempts=0, **facts)


def _job(copy: PictureCopy, source: Path, path: Path) -> dict[str, Any]:
    purpose: Purpose = copy.purpose
    most = purpose.max_megabytes
    return {
        "source": str(source),
        "path": str(path),
        "long_edge_px": purpose.long_edge_px,
        "max_bytes": int(most * 1_000_000) if most else None,
        "quality": purpose.quality,
        "dpi": purpose.dpi,
        "metadata": copy.metadata,
        "facts": _camera_facts(copy),
    }


def _camera_facts(copy: PictureCopy) -> dict[str, Any]:
    frames = copy.correction.picture.picture_frames
    facts = frames.filter(is_reference=True).values_list("frame__facts", flat=True).first()
    return facts or {}


def _name(copy: PictureCopy) -> str:
    picture = copy.correction.picture
    folder = f"copies/{picture.booking.public_id}/{picture.public_id}"
    return f"{folder}/{copy.correction.sha256[:16]}-{copy.purpose.slug}-{copy.metadata_digest[:12]}.jpg"


def _crc32(path: Path) -> int:
    """Sum for the ZIP directory, so that archives can be streamed with a known length."""
    crc = 0
    with path.open("rb") as file:
        while block := file.read(storing.BLOCK):
            crc = zlib.crc32(block, crc)
    return crc
