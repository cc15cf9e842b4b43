"""The tus 1.0 server: creation (also with the first bytes), termination, checksum, expiration.

The protocol is at https://tus.io/protocols/resumable-upload; headers and status codes are named after it.
What an upload became is told in two headers of ours on the answer to its last piece: Upload-Result (stored,
known, refused) and Upload-Reason.
"""

from __future__ import annotations

import base64
import datetime as dt
from collections.abc import Callable
from typing import Any
from urllib.parse import quote
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.utils.http import http_date

from listings import uploads
from listings.errors import DiskFull, Ended, ListingsError, NotTaken, OffsetConflict
from listings.models import Upload
from studio import access
from studio.models import Booking

VERSION = "1.0.0"
EXTENSIONS = "creation,creation-with-upload,termination,checksum,expiration"
CHECKSUM_MISMATCH = 460
STATUS: dict[type[ListingsError], int] = {OffsetConflict: 409, Ended: 410, DiskFull: 507, NotTaken: 415}


def _method(request: HttpRequest) -> str:
    """Return the method; clients behind old proxies send it in a header."""
    method = request.method or ""
    return request.headers.get("X-HTTP-Method-Override", method).upper() if method == "POST" else method


def _speaks_tus(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    """Check and set the headers that every message of the protocol carries; turn our errors into answers."""

    def answered(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if _method(request) != "OPTIONS" and request.headers.get("Tus-Resumable") != VERSION:
            response = HttpResponse(
                "Need the header Tus-Resumable: 1.0.0.", status=412, content_type="text/plain"
            )
            response["Tus-Version"] = VERSION
            return response
        try:
            response = view(request, *args, **kwargs)
        except ListingsError as error:
            response = _refusal(error)
        response["Tus-Resumable"] = VERSION
        response["Cache-Control"] = "no-store"
        return response

    return answered


def _say(words: str, *, status: int) -> HttpResponse:
    return HttpResponse(words, status=status, content_type="text/plain; charset=utf-8")


def _refusal(error: ListingsError) -> HttpResponse:
    response = HttpResponse(
        str(error), status=STATUS.get(type(error), 400), content_type="text/plain; charset=utf-8"
    )
    response["Upload-Reason"] = quote(str(error))
    return response


def _options() -> HttpResponse:
    response = HttpResponse(status=204)
    response["Tus-Version"] = VERSION
    response["Tus-Extension"] = EXTENSIONS
    response["Tus-Checksum-Algorithm"] = "sha1,sha256"
    response["Tus-Max-Size"] = str(uploads.most_bytes())
    return response


@access.staff_only
@_speaks_tus
def uploads_view(request: HttpRequest, visit: UUID) -> HttpResponse:
    """Where an upload begins: POST, with or without the first bytes."""
    booking = access.booking_for_staff(request, visit)
    if _method(request) == "OPTIONS":
        return _options()
    if _method(request) != "POST":
        return HttpResponse(status=405, headers={"Allow": "OPTIONS, POST"})
    return _create(request, booking, now=timezone.now())


@access.staff_only
@_speaks_tus
def upload_view(request: HttpRequest, upload: UUID) -> HttpResponse:
    """One upload: HEAD tells where it stands, PATCH goes on, DELETE gives up."""
    row = get_object_or_404(Upload.objects.select_related("booking", "started_by"), public_id=upload)
    access.booking_for_staff(request, row.booking.public_id)
    now = timezone.now()
    match _method(request):
        case "OPTIONS":
            return _options()
        case "HEAD":
            return _stands(row)
        case "PATCH":
            return _go_on(request, row, now=now)
        case "DELETE":
            uploads.end(row, now=now)
            return HttpResponse(status=204)
    return HttpResponse(status=405, headers={"Allow": "OPTIONS, HEAD, PATCH, DELETE"})


def _create(request: HttpRequest, booking: Booking, *, now: dt.datetime) -> HttpResponse:
    size = _whole_number(request, "Upload-Length")
    told = _metadata(request.headers.get("Upload-Metadata", ""))
    name = told.get("relativePath") or told.get("filename") or told.get("name") or "file"
    by, batch = access.staff_of(request), _uuid(told.get("batch", ""))
    try:
        upload = uploads.begin(
            booking,
            name=name,
            size=size,
            batch=batch,
            modified_at=_moment(told.get("modified", "")),
            expected_sha256=_sum(told.get("sha256", "")),
            by=by,
            now=now,
        )
    except NotTaken as error:
        uploads.refuse(booking, name=name, size=size, batch=batch, reason=str(error), by=by, now=now)
        raise
    response = HttpResponse(status=201)
    response["Location"] = request.build_absolute_uri(reverse("listings:upload", args=[upload.public_id]))
    if request.headers.get("Content-Type") == "application/offset+octet-stream":
        _take_in(request, response, upload, offset=0, now=now)
    response["Upload-Expires"] = http_date(uploads.expires_at(upload).timestamp())
    return response


def _stands(upload: Upload) -> HttpResponse:
    if upload.state == Upload.State.REFUSED:
        return HttpResponse(status=410)
    response = HttpResponse(status=200)
    response["Upload-Offset"] = str(uploads.offset_of(upload))
    response["Upload-Length"] = str(upload.size)
    _tell_result(response, upload)
    return response


def _go_on(request: HttpRequest, upload: Upload, *, now: dt.datetime) -> HttpResponse:
    if request.headers.get("Content-Type") != "application/offset+octet-stream":
        return HttpResponse(
            "Need Content-Type: application/offset+octet-stream.", status=415, content_type="text/plain"
        )
    offset = _whole_number(request, "Upload-Offset")
    response = HttpResponse(status=204)
    if upload.state in (Upload.State.STORED, Upload.State.KNOWN) and offset == upload.size:
        # The answer to the last piece was lost on its way; the piece is sent again, empty.
        response["Upload-Offset"] = str(upload.size)
        _tell_result(response, upload)
        return response
    _take_in(request, response, upload, offset=offset, now=now)
    return response


def _take_in(
    request: HttpRequest, response: HttpResponse, upload: Upload, *, offset: int, now: dt.datetime
) -> None:
    """Write the body's bytes as they come; when they are all here, make the upload an original."""
    header = request.headers.get("Upload-Checksum")
    length = request.META.get("CONTENT_LENGTH")
    try:
        end = uploads.receive(
            upload,
            request.META["wsgi.input"],
            offset=offset,
            length=int(length) if length else None,
            checksum=uploads.parse_checksum(header) if header else None,
        )
    except DiskFull as error:
        uploads.pause(upload, offset=uploads.offset_of(upload), now=now, reason=str(error))
        raise
    except NotTaken:
        if header:
            response.status_code = CHECKSUM_MISMATCH
            return
        raise
    uploads.pause(upload, offset=end, now=timezone.now())
    response["Upload-Offset"] = str(end)
    if end == upload.size:
        upload = uploads.finish(upload, now=timezone.now())
        if upload.state == Upload.State.REFUSED:
            response.status_code = CHECKSUM_MISMATCH
        _tell_result(response, upload)
    else:
        response["Upload-Expires"] = http_date(uploads.expires_at(upload).timestamp())


def _tell_result(response: HttpResponse, upload: Upload) -> None:
    if upload.state != Upload.State.COMING:
        response["Upload-Result"] = upload.state
    if upload.reason:
        response["Upload-Reason"] = quote(upload.reason)


def _whole_number(request: HttpRequest, header: str) -> int:
    value = request.headers.get(header, "")
    if not value.isascii() or not value.isdigit() or len(value) > 18:
        raise ListingsError(f"{header}: need a whole number, got {value[:40]!r}")
    return int(value)


def _metadata(header: str) -> dict[str, str]:
    """Read Upload-Metadata: pairs of a key and a base64 value, commas between."""
    told = {}
    for pair in header.split(","):
        key, _, value = pair.strip().partition(" ")
        if key:
            try:
                told[key] = base64.b64decode(value, validate=True).decode()
            except ValueError as error:
                raise ListingsError(f"Upload-Metadata: the value of {key} can't be read") from error
    return told


def _uuid(text: str) -> UUID | None:
    try:
        return UUID(text)
    except ValueError:
        return None


def _moment(milliseconds: str) -> dt.datetime | None:
    """Read a file's time as browsers give it: milliseconds since 1970."""
    try:
        return dt.datetime.fromtimestamp(int(milliseconds) / 1000, tz=dt.UTC)
    except (ValueError, OverflowError, OSError):
        return None


def _sum(text: str) -> str:
    text = text.lower()
    return text if len(text) == 64 and set(text) <= set("0123456789abcdef") else ""
