"""Parts of a booking's page about its visits: the one before, and the one that follows."""

from __future__ import annotations

from typing import Any

from django import template
from django.utils import timezone

from studio import access, booking_states, consents, second_visits
from studio.forms.consents import AskForm, WriteDownForm
from studio.models import Booking, Business

register = template.Library()


@register.inclusion_tag("studio/bookings/_second_visit_of.html")
def second_visit(booking: Booking) -> dict[str, Any]:
    """The way from the first visit to the second, and back."""
    return {"first": booking.follows, "second": second_visits.of(booking)}


@register.inclusion_tag("studio/bookings/_consent_of.html", takes_context=True)
def tenant_consent(context: dict[str, Any], booking: Booking) -> dict[str, Any]:
    """What the tenant said; for staff the ways to ask and to write it down."""
    request, business = context["request"], Business.current()
    today = timezone.now().astimezone(business.zone).date()
    return {
        "booking": booking,
        "csrf_token": context.get("csrf_token"),
        "staff": access.staff_of(request),
        "is_needed": consents.is_needed(booking),
        "is_over": booking.state in booking_states.DONE,
        "answer": consents.latest(booking),
        "address": consents.address(booking),
        "ask_form": AskForm(prefix="tenant", initial={"email": booking.contact_email}),
        "form": WriteDownForm(prefix="answer", initial={"on": today}),
    }
