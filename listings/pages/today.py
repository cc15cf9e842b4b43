"""Today: the day's homes down the line, and what is late."""

from __future__ import annotations

import datetime as dt

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from listings import days
from studio import access, telling
from studio.models import Business


@access.staff_only
@require_safe
def today(
    request: HttpRequest, year: int | None = None, month: int | None = None, day: int | None = None
) -> HttpResponse:
    """Show a day; without a date, today where the business is."""
    now, business, staff = timezone.now(), Business.current(), access.staff_of(request)
    assert staff is not None  # staff_only saw to it
    this_day = now.astimezone(business.zone).date()
    try:
        on = dt.date(year, month, day) if year and month and day else this_day
        before, after = on - dt.timedelta(days=1), on + dt.timedelta(days=1)
    except (ValueError, OverflowError) as error:
        raise Http404 from error
    visits = days.visits(on, staff, business)
    told = telling.last_words(visit.booking for visit in visits)
    return render(
        request,
        "listings/today.html",
        {
            "on": on,
            "is_today": on == this_day,
            "before": before,
            "after": after,
            "visits": [(visit, told.get(visit.booking.pk)) for visit in visits],
            "late_minutes": business.late_minutes,
            "late": days.late(now, staff, business) if on == this_day else [],
            "shows_names": staff.role != staff.Role.PHOTOGRAPHER,
        },
    )
