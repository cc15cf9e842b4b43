"""Copies: files made from a correction for one purpose, each once."""

from __future__ import annotations

import zlib
from pathlib import Path
from typing import Any

from django.utils import timezone

from listings import claims, making, storing
from listings.correcting import again
from listings.errors import CannotMake, MakerLost
from listings.models import PictureCopy, Purpose
from listings.queueing import WORK


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
    }


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
