"""Parts of a booking's page: what is known, what it costs, what can be done with it now."""

from __future__ import annotations

from typing import Any

from django import template
from django.urls import reverse
from django.utils import timezone

from studio import (
    access,
    access_notes,
    arranging,
    booking_states,
    diary,
    letters,
    money,
    quoting,
    sunlight,
    weeks,
)
from studio.errors import NotFree
from studio.forms.bookings import AccessNoteForm, CallOffForm, LineForm, SetTimeForm
from studio.models import Booking, Business, Terms
from studio.travel import Place, Roads

register = template.Library()
State = Booking.State


@register.inclusion_tag("studio/bookings/_facts_of.html", takes_context=True)
def booking_facts(context: dict[str, Any], booking: Booking) -> dict[str, Any]:
    """Home, client, time, light, wishes; for staff with the way to the household's page."""
    staff, business = access.staff_of(context["request"]), _business(context)
    return {
        "booking": booking,
        "staff": staff,
        "light": sunlight.of_booking(booking, business),
        "light_from": sunlight.where(booking.home.point, business, postcode=booking.home.postcode),
        "way": Roads.of(business).basis(Place.start_of(business), Place.of(booking.home)) if staff else "",
        "preparation_address": letters.preparation_address(booking),
        "free_until": arranging.free_until(booking),
        "minutes": round(booking.length.total_seconds() / 60) if booking.length else None,
    }


@register.inclusion_tag("studio/bookings/_lines_of.html", takes_context=True)
def booking_lines(context: dict[str, Any], booking: Booking) -> dict[str, Any]:
    """The quoted lines with tax and total; staff may add and take away until it is invoiced."""
    business = _business(context)
    lines = list(booking.lines.all())
    totals = money.add_up(lines, prices_include_tax=business.prices_include_tax)
    staff = access.staff_of(context["request"])
    may_edit = staff is not None and quoting.may_edit_lines(booking)
    return {
        "booking": booking,
        "request": context["request"],
        "csrf_token": context.get("csrf_token"),
        "rows": list(zip(lines, totals.line_minor, strict=True)),
        "totals": totals,
        "currency": business.currency,
        "includes_tax": business.prices_include_tax,
        "may_edit": may_edit,
        "form": LineForm(currency=business.currency, prefix="line") if may_edit else None,
    }


@register.inclusion_tag("studio/bookings/_moves_of.html", takes_context=True)
def booking_moves(context: dict[str, Any], booking: Booking) -> dict[str, Any]:
    """What the visitor can do with the booking now: agree, propose, move, call off."""
    request = context["request"]
    by, now, business = access.actor_of(request), timezone.now(), _business(context)
    staff = access.staff_of(request)
    may = {to: booking_states.may_move(booking, to, by=by) for to in State.values}
    is_open = booking.state in booking_states.OPEN
    too_late = ""
    if staff is None:
        try:
            arranging.check_terms(booking, now=now)
        except NotFree as error:
            too_late = str(error)
    week = None
    if is_open and not too_late:
        week = weeks.week(
            home=booking.home, minutes=diary.visit_minutes(booking, business), now=now, business=business,
            first_on=weeks.day_in(request.GET.get("from")), leaving_out=booking,
            marks_light=sunlight.wants_light(booking),
        )  # fmt: skip
    start = booking.starts_at.astimezone(business.zone) if booking.starts_at else None
    when_form = None
    if staff and is_open:
        when_form = SetTimeForm(
            prefix="when",
            initial={
                "on": start.date() if start else None,
                "time": start.time() if start else None,
                "photographer": booking.photographer_id,
            },
        )
    return {
        "booking": booking,
        "csrf_token": context.get("csrf_token"),
        "request": request,
        "staff": staff,
        "is_open": is_open,
        "can_agree": staff is not None
        and may[State.AGREED]
        and booking.state == State.ASKED
        and start is not None,
        "can_accept": staff is None and may[State.AGREED] and booking.state == State.HELD,
        "can_call_off": may[State.CALLED_OFF],
        "too_late": too_late,
        "free_until": None if too_late else arranging.free_until(booking),
        "terms_to_accept": Terms.current()
        if staff is None and is_open and booking.terms_id is None
        else None,
        "week": week,
        "is_looking": "from" in request.GET,
        "when_form": when_form,
        "call_off_form": CallOffForm(prefix="off"),
        "calendar_address": reverse("studio:booking-calendar", args=[booking.public_id]),
        "has_calendar": booking.starts_at is not None
        and booking.state not in (State.ASKED, State.CALLED_OFF),
    }


@register.inclusion_tag("studio/bookings/_access_note_of.html", takes_context=True)
def booking_access_note(context: dict[str, Any], booking: Booking) -> dict[str, Any]:
    """The sealed note: that there is one, and for the few the way to open or write it."""
    request = context["request"]
    note = access_notes.of(booking)
    return {
        "booking": booking,
        "csrf_token": context.get("csrf_token"),
        "is_there": note is not None and note.wiped_at is None,
        "wiped_at": note.wiped_at if note else None,
        "may_read": access.may_read_access_note(request, booking),
        "may_write": access.may_read_access_note(request, booking) or access.client_of(request) is not None,
        "is_over": booking.state in booking_states.DONE,
        "form": AccessNoteForm(prefix="note"),
    }


@register.inclusion_tag("studio/bookings/_events_of.html", takes_context=True)
def booking_events(context: dict[str, Any], booking: Booking) -> dict[str, Any]:
    """What happened so far, newest first."""
    events = booking.events.select_related("user", "client")
    return {"events": list(events[:40])}


def _business(context: dict[str, Any]) -> Business:
    return getattr(context["request"], "business", None) or Business.current()


@register.filter
def state_kind(booking: Booking) -> str:
    """Return the class that colours a state's word."""
    if booking.state in (State.ASKED, State.HELD):
        return "warn"
    return "stop" if booking.state == State.CALLED_OFF else ""
