"""The first page: what waits and what is next, for each kind of visitor."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from studio import access, booking_states, set_up
from studio.models import Booking, BookingRequest, Business, Client, Invoice, Message, User

State = Booking.State
SHOWN = 8


@require_safe
def start(request: HttpRequest) -> HttpResponse:
    """Staff see what waits, an agent the bookings, a stranger the request page."""
    now = timezone.now()
    if staff := access.staff_of(request):
        return render(request, "studio/start.html", for_staff(staff, now))
    if client := access.client_of(request):
        return render(request, "studio/my_bookings.html", for_client(client, now))
    return redirect("studio:set-up" if set_up.is_needed() else "studio:request")


def for_staff(staff: User, now: dt.datetime) -> dict[str, Any]:
    """Return what this member of staff is waited for, and what comes next."""
    rows = Booking.objects.with_people()
    coming = rows.filter(state=State.AGREED, ends_at__gt=now).order_by("starts_at")
    desk = rows.filter(state__in=[State.UNDER_WAY, State.VISITED]).order_by("starts_at")
    if staff.role == User.Role.PHOTOGRAPHER:
        coming = coming.of(staff)
    context: dict[str, Any] = {
        "coming": coming[:SHOWN],
        "desk": desk[:SHOWN],
        "is_editor": staff.role == User.Role.EDITOR,
    }
    if staff.role != User.Role.EDITOR:
        context |= {
            "asked": rows.waiting()[:SHOWN],
            "held": rows.filter(state=State.HELD, held_until__gt=now).order_by("held_until")[:SHOWN],
            "requests": BookingRequest.objects.filter(booking=None, declined_at=None, expires_at__gt=now)[
                :SHOWN
            ],
        }
    if staff.is_owner:
        context |= {
            "sent": rows.filter(state=State.SENT).order_by("starts_at")[:SHOWN],
            "overdue": Invoice.objects.overdue_on(now.astimezone(Business.current().zone).date())
            .select_related("client__agency")
            .order_by("due_on", "pk")[:SHOWN],
            "sends_mail": bool(settings.SMTP_HOST),
            "failed_mail": Message.objects.filter(state=Message.State.FAILED).count(),
            "is_local": not settings.IS_HTTPS,
        }
    context["is_quiet"] = not any(
        context.get(name) for name in ("asked", "held", "requests", "coming", "desk", "sent", "overdue")
    )
    return context


def for_client(client: Client, now: dt.datetime) -> dict[str, Any]:
    """Return an agent's bookings: those that are alive, and those that are over."""
    rows = client.bookings.with_people()
    return {
        "client": client,
        "alive": rows.exclude(state__in=booking_states.DONE).order_by("starts_at"),
        "over": rows.filter(state__in=booking_states.DONE).order_by("-starts_at")[:50],
        "now": now,
    }
