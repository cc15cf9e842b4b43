"""The diary: a week as rows of days, a day to print, and the calendar feed."""

from __future__ import annotations

import datetime as dt

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from studio import access, calendars, diary, diary_days, records, tokens, weeks
from studio.models import Booking, Business, User

FEED_PAST = dt.timedelta(days=60)


@access.staff_only
@require_safe
def week(request: HttpRequest) -> HttpResponse:
    """Seven days from a Monday."""
    business, now = Business.current(), timezone.now()
    today = now.astimezone(business.zone).date()
    asked = weeks.day_in(request.GET.get("from")) or today
    monday = asked - dt.timedelta(days=asked.weekday())
    people = diary.photographers()
    chosen = next((person for person in people if str(person.pk) == request.GET.get("who")), None)
    return render(
        request,
        "studio/diary/week.html",
        {
            "days": diary_days.days(monday, 7, now=now, business=business, person=chosen),
            "monday": monday,
            "sunday": monday + dt.timedelta(days=6),
            "weeks": [monday + dt.timedelta(days=7 * offset) for offset in range(-1, 5)],
            "this_monday": today - dt.timedelta(days=today.weekday()),
            "people": people,
            "chosen": chosen,
            "unplaced": Booking.objects.with_people().waiting().filter(starts_at=None),
        },
    )


@access.staff_only
@require_safe
def day(request: HttpRequest, on: str) -> HttpResponse:
    """One day as a sheet to print: homes, doors, ways."""
    business, now = Business.current(), timezone.now()
    today = now.astimezone(business.zone).date()
    when = weeks.day_in(on) or today
    (found,) = diary_days.days(when, 1, now=now, business=business)
    return render(
        request,
        "studio/diary/day.html",
        {"day": found, "before": when - dt.timedelta(days=1), "after": when + dt.timedelta(days=1)},
    )


@never_cache
@require_safe
def feed(request: HttpRequest, pk: int, token: str) -> HttpResponse:
    """A photographer's calendar, for whoever holds its secret address."""
    person = get_object_or_404(User, pk=pk, is_active=True)
    if not tokens.fits(token, "calendar", str(person.pk), person.calendar_generation):
        raise Http404
    now = timezone.now()
    rows = (
        Booking.objects.with_people()
        .of(person)
        .in_the_diary(now)
        .filter(starts_at__gte=now - FEED_PAST)
        .order_by("starts_at")
    )
    return HttpResponse(calendars.feed(person, rows, now=now), content_type="text/calendar; charset=utf-8")


@access.staff_only
@require_safe
def subscribe(request: HttpRequest) -> HttpResponse:
    """The address of one's own feed."""
    staff = access.staff_of(request)
    assert staff is not None
    return render(request, "studio/diary/feed.html", {"address": calendars.feed_address(staff)})


@access.staff_only
@require_POST
def renew_feed(request: HttpRequest) -> HttpResponse:
    """Make the old address useless and show a new one."""
    staff = access.staff_of(request)
    assert staff is not None
    User.objects.filter(pk=staff.pk).update(calendar_generation=staff.calendar_generation + 1)
    records.note("renewed the calendar's address", user=staff, now=timezone.now())
    return redirect("studio:calendar-address")
