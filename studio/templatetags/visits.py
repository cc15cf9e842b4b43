"""Parts of a booking's page about its visits: the one before, and the one that follows."""

from __future__ import annotations

from typing import Any

from django import template

from studio import second_visits
from studio.models import Booking

register = template.Library()


@register.inclusion_tag("studio/bookings/_second_visit_of.html")
def second_visit(booking: Booking) -> dict[str, Any]:
    """The way from the first visit to the second, and back."""
    return {"first": booking.follows, "second": second_visits.of(booking)}
