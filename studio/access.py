"""Who may see what. Every page fetches a client's rows through here; outsiders get a 404.

Staff sign in by password (Django's session user). An agent signs in by a mailed link, which leaves the
client's public identifier in the session. One session is never both.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any, Concatenate, ParamSpec
from urllib.parse import urlencode
from uuid import UUID

from django.conf import settings
from django.contrib import auth
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase, HttpResponseRedirect
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django_htmx.http import HttpResponseClientRedirect

from studio import tokens
from studio.models import Booking, Client, CreditNote, Invoice, User

CLIENT_KEY = "client"

P = ParamSpec("P")
View = Callable[Concatenate[HttpRequest, P], HttpResponseBase]


def staff_of(request: HttpRequest) -> User | None:
    """Return the member of staff who is signed in."""
    user = request.user
    return user if isinstance(user, User) and user.is_active else None


def client_of(request: HttpRequest) -> Client | None:
    """Return the agent who is signed in by a mailed link."""
    if (public_id := request.session.get(CLIENT_KEY)) is None or staff_of(request):
        return None
    if not hasattr(request, "_client"):
        request._client = (  # type: ignore[attr-defined]
            Client.objects.select_related("agency").filter(public_id=public_id).first()
        )
    client: Client | None = request._client  # type: ignore[attr-defined]
    return client


def remember_client(request: HttpRequest, client: Client) -> None:
    """Sign an agent in: a fresh session that belongs to this client alone."""
    auth.logout(request)
    request.session.cycle_key()
    request.session[CLIENT_KEY] = str(client.public_id)


def to_sign_in(request: HttpRequest) -> HttpResponse:
    """Send a stranger to the sign-in page, and back here afterwards."""
    address = f"{reverse(settings.LOGIN_URL)}?{urlencode({'next': request.get_full_path()})}"
    if getattr(request, "htmx", False):
        return HttpResponseClientRedirect(address)
    return HttpResponseRedirect(address)


def _guard(allows: Callable[[HttpRequest], bool]) -> Callable[[View[P]], View[P]]:
    def decorate(view: View[P]) -> View[P]:
        @functools.wraps(view)
        def guarded(request: HttpRequest, *args: P.args, **kwargs: P.kwargs) -> HttpResponseBase:
            if allows(request):
                return view(request, *args, **kwargs)
            if staff_of(request) is None and client_of(request) is None:
                return to_sign_in(request)
            raise Http404

        return guarded

    return decorate


def _is_staff(request: HttpRequest) -> bool:
    return staff_of(request) is not None


def _is_owner(request: HttpRequest) -> bool:
    staff = staff_of(request)
    return staff is not None and staff.is_owner


def _is_someone(request: HttpRequest) -> bool:
    return staff_of(request) is not None or client_of(request) is not None


def staff_only(view: View[P]) -> View[P]:
    """Let staff in; strangers sign in first, clients get a 404."""
    return _guard(_is_staff)(view)


def owner_only(view: View[P]) -> View[P]:
    """Let owners in; strangers sign in first, everyone else gets a 404."""
    return _guard(_is_owner)(view)


def signed_in(view: View[P]) -> View[P]:
    """Let staff and signed-in agents in; the view fetches its rows by the functions below."""
    return _guard(_is_someone)(view)


def bookings() -> QuerySet[Booking]:
    return Booking.objects.select_related("home", "client__agency", "photographer", "terms")


def booking_for_staff(request: HttpRequest, public_id: UUID | str) -> Booking:
    """Return the booking, to staff only."""
    if staff_of(request) is None:
        raise Http404
    return get_object_or_404(bookings(), public_id=public_id)


def booking_for_client(request: HttpRequest, public_id: UUID | str) -> Booking:
    """Return the booking, to the client whose booking it is and to nobody else."""
    if (client := client_of(request)) is None:
        raise Http404
    return get_object_or_404(bookings(), public_id=public_id, client=client)


def booking_for_either(request: HttpRequest, public_id: UUID | str) -> Booking:
    """Return the booking to staff, or to the client whose booking it is."""
    if staff_of(request) is not None:
        return booking_for_staff(request, public_id)
    return booking_for_client(request, public_id)


def may_read_access_note(request: HttpRequest, booking: Booking) -> bool:
    """Lock codes are for the assigned person and the owner."""
    staff = staff_of(request)
    return staff is not None and (staff.is_owner or staff.pk == booking.photographer_id)


def actor_of(request: HttpRequest) -> User | Client | None:
    """Return who is acting: a member of staff, an agent, or nobody known."""
    return staff_of(request) or client_of(request)


def address_of(request: HttpRequest) -> str:
    """Return the visitor's network address; behind a proxy, the one that the proxy saw."""
    meta: dict[str, Any] = request.META
    if settings.SECURE_PROXY_SSL_HEADER and (forwarded := meta.get("HTTP_X_FORWARDED_FOR")):
        return str(forwarded).rsplit(",", 1)[-1].strip()
    return str(meta.get("REMOTE_ADDR", ""))


def invoice_for_owner(request: HttpRequest, public_id: UUID | str) -> Invoice:
    """Return the invoice, to an owner only."""
    staff = staff_of(request)
    if staff is None or not staff.is_owner:
        raise Http404
    return get_object_or_404(_documents(Invoice), public_id=public_id)


def document_for_either(
    request: HttpRequest, model: type[Invoice] | type[CreditNote], public_id: UUID | str
) -> Invoice | CreditNote:
    """Return the invoice or credit note to staff, or to the client who was billed."""
    if staff_of(request) is not None:
        return get_object_or_404(_documents(model), public_id=public_id)
    if (client := client_of(request)) is None:
        raise Http404
    return get_object_or_404(_documents(model), public_id=public_id, client=client)


def document_by_link(
    model: type[Invoice] | type[CreditNote], public_id: UUID | str, token: str
) -> Invoice | CreditNote:
    """Return the invoice or credit note to anyone who has its unguessable link."""
    document: Invoice | CreditNote = get_object_or_404(_documents(model), public_id=public_id)
    if not tokens.fits(token, model._meta.model_name or "", document.public_id, document.link_generation):
        raise Http404
    return document


def _documents(model: type[Invoice] | type[CreditNote]) -> QuerySet[Any]:
    beside = ("booking__home",) if model is Invoice else ("invoice__booking__home",)
    return model.objects.select_related("client__agency", *beside)
