"""Stored files to a browser: whole or in part, the same from a folder and from S3.

Who may see a file is asked before, by the page that calls this.
"""

from __future__ import annotations

import dataclasses
import hashlib
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from django.db.models.fields.files import FieldFile
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.utils.http import content_disposition_header, quote_etag

BLOCK = 256 * 1024
RANGE = re.compile(r"bytes=(\d{0,18})-(\d{0,18})$", re.ASCII)


@dataclasses.dataclass(frozen=True)
class Part:
    """The bytes that were asked for: first, and one past the last."""

    start: int
    end: int

    @property
    def length(self) -> int:
        return self.end - self.start


def serve(
    request: HttpRequest,
    file: FieldFile,
    *,
    name: str,
    as_download: bool = False,
    content_type: str = "image/jpeg",
    etag: str | None = None,
    max_age_s: int = 0,
) -> HttpResponseBase:
    """Answer with the file, a part of it (Range), or 'not changed' (If-None-Match).

    Files never change under their name, so the name makes the entity tag unless a better one is given.
    """
    if not file:
        raise Http404("There is no such file yet.")
    try:
        size = file.size
    except FileNotFoundError as error:
        raise Http404("The file is not where it should be.") from error
    return answer(
        request,
        size=size,
        read=lambda part: blocks(file, part),
        etag=etag or hashlib.sha256(str(file.name).encode()).hexdigest()[:32],
        name=name,
        as_download=as_download,
        content_type=content_type,
        max_age_s=max_age_s,
    )


def answer(
    request: HttpRequest,
    *,
    size: int,
    read: Callable[[Part], Iterator[bytes]],
    etag: str,
    name: str,
    as_download: bool = False,
    content_type: str = "image/jpeg",
    max_age_s: int = 0,
) -> HttpResponseBase:
    """Answer with bytes of known number that `read` yields: all, a part, or 'not changed'."""
    tag = quote_etag(etag)
    if request.headers.get("If-None-Match") in (tag, "*"):
        return _dressed(HttpResponse(status=304), tag, max_age_s)
    part = _part_wanted(request, tag, size)
    if part is None:
        return _dressed(
            HttpResponse(status=416, headers={"Content-Range": f"bytes */{size}"}), tag, max_age_s
        )
    response: HttpResponseBase
    if request.method == "HEAD":
        response = HttpResponse(content_type=content_type)
    else:
        response = StreamingHttpResponse(read(part), content_type=content_type)
    if part.length != size:
        response.status_code = 206
        response["Content-Range"] = f"bytes {part.start}-{part.end - 1}/{size}"
    response["Content-Length"] = str(part.length)
    response["Accept-Ranges"] = "bytes"
    response["Content-Disposition"] = content_disposition_header(as_download, name) or "inline"
    return _dressed(response, tag, max_age_s)


def _dressed(response: HttpResponseBase, tag: str, max_age_s: int) -> HttpResponseBase:
    response["ETag"] = tag
    response["Cache-Control"] = f"private, max-age={max_age_s}" if max_age_s else "private, no-cache"
    response["X-Content-Type-Options"] = "nosniff"
    return response


def _part_wanted(request: HttpRequest, tag: str, size: int) -> Part | None:
    """Read the Range header (RFC 9110, 14.2): one range; several or odd ones count as none; None: outside."""
    whole = Part(0, size)
    match = RANGE.match(request.headers.get("Range", "").strip())
    if match is None or match.groups() == ("", "") or request.headers.get("If-Range", tag) != tag:
        return whole
    first, last = match.groups()
    if not first:
        return Part(max(0, size - int(last)), size) if int(last) else None
    start = int(first)
    end = min(size, int(last) + 1) if last else size
    return Part(start, end) if start < end else None


def blocks(file: FieldFile, part: Part) -> Iterator[bytes]:
    """Yield the bytes; from S3 only those that were asked for are fetched."""
    bucket: Any = getattr(file.storage, "bucket", None)
    if bucket is not None:
        yield from _remote_blocks(file, bucket, part)
        return
    left = part.length
    with Path(file.path).open("rb") as opened:
        opened.seek(part.start)
        while left > 0 and (block := opened.read(min(BLOCK, left))):
            left -= len(block)
            yield block


def _remote_blocks(file: FieldFile, bucket: Any, part: Part) -> Iterator[bytes]:
    key = file.storage._normalize_name(str(file.name))  # type: ignore[attr-defined]
    if part.length:
        body = bucket.Object(key).get(Range=f"bytes={part.start}-{part.end - 1}")["Body"]
        yield from body.iter_chunks(BLOCK)
