"""The request page: what an agent wants, what it costs, when we can come."""

from __future__ import annotations

import datetime as dt
from typing import Any
from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from studio import access, asking, holding, money, quoting, set_up, tokens, weeks
from studio.errors import NotFree, StaleState
from studio.forms.requesting import RequestForm
from studio.models import BookingRequest, Business, Client


def _form(request: HttpRequest, client: Client | None, now: dt.datetime) -> RequestForm:
    business = Business.current()
    on = now.astimezone(business.zone).date()
    prices = quoting.price_list_for(client.agency if client else None, on=on)
    if client and client.price_list:
        prices = client.price_list
    return RequestForm(request.POST or None, prices=prices, client=client, business=business)


def _context(form: RequestForm, *, now: dt.datetime) -> dict[str, Any]:
    """Return what stands beside the questions: the price line by line and the free times."""
    quote = form.quote()
    good = getattr(form, "cleaned_data", {})
    week = weeks.week(
        home=form.home,
        minutes=quote.minutes,
        now=now,
        business=form.business,
        first_on=good.get("week") or good.get("shown"),
        marks_light=form.wants_light,
        holder=form.client,
    )
    chosen: dt.datetime | None = good.get("starts_at")
    day = week.day_of(chosen, form.business.zone) if chosen else None
    # It stood on a day that is shown and does no more: the visit has grown, or someone took it.
    is_gone = day is not None and not day.has(chosen)
    return {
        "form": form,
        "quote": quote,
        "minutes": quote.minutes,
        "week": week,
        "chosen": None if is_gone else chosen,
        "chosen_value": chosen.isoformat() if chosen and not is_gone else "",
        "is_elsewhere": chosen is not None and day is None,
        "is_gone": is_gone,
        "open_on": day.on if day and not is_gone else week.first_with_times,
        "chosen_extras": form.chosen_extras,
        # What the marks of the times stand on, so that they are shown anew when it changes.
        "light": f"{form.wants_light} {good.get('point')} {good.get('front')} {good.get('postcode')}",
        "currency": form.business.currency,
    }


@never_cache
@require_http_methods(["GET", "POST"])
def ask(request: HttpRequest) -> HttpResponse:
    """The page itself; a POST without 'send' only looks up price and times."""
    if set_up.is_needed():
        return redirect("studio:set-up")
    now, client = timezone.now(), access.client_of(request)
    form = _form(request, client, now)
    context = _context(form, now=now)
    if "send" not in request.POST:
        form.looks_only = form.is_bound
        return render(request, "studio/request/page.html", context)
    if not form.is_valid() or context["is_gone"]:
        return render(request, "studio/request/page.html", context, status=422)
    asked = form.asked(context["quote"])
    if client is not None:
        booking = asking.ask_as(client, asked, now=now, hold=form.cleaned_data["hold"])
        return _answer_client(request, booking.public_id)
    address = access.address_of(request)
    if asking.too_many(asked.email, address, now=now):
        return render(request, "studio/request/too_many.html", status=429)
    kept = asking.keep(asked, asked_from=address, now=now)
    return render(
        request, "studio/request/sent.html", {"asked": kept, "shows_mail_here": not settings.SMTP_HOST}
    )


def _answer_client(request: HttpRequest, public_id: UUID) -> HttpResponse:
    messages.success(request, "Your request is with us. Everything about it is on this page.")
    return redirect("listings:booking", public_id)


@never_cache
@require_POST
def look(request: HttpRequest) -> HttpResponse:
    """The price as it builds up, and the times when the length of the visit has changed."""
    now = timezone.now()
    form = _form(request, access.client_of(request), now)
    context = _context(form, now=now)
    if form.client is not None and context["chosen"] is not None:
        try:
            context |= _kept(request, form, context, now=now)
        except NotFree:  # taken since the page was made: the times are shown anew
            gone = {"is_gone": True, "chosen": None, "chosen_value": "", "times_too": True}
            return render(request, "studio/request/_looked_up.html", _context(form, now=now) | gone)
    elif form.client is not None and not request.POST.get("starts_at"):
        holding.release(form.client, getattr(form, "cleaned_data", {}).get("hold"))
    context["times_too"] = "week" in request.GET or any(
        request.POST.get(name) != str(context[name]) for name in ("minutes", "light")
    )
    return render(request, "studio/request/_looked_up.html", context)


def _kept(
    request: HttpRequest, form: RequestForm, context: dict[str, Any], *, now: dt.datetime
) -> dict[str, Any]:
    """Keep the chosen time for the agent who is signed in, and say until when."""
    assert form.client is not None
    hold = holding.keep(
        form.client, form.home, context["chosen"], minutes=context["minutes"],
        asked_from=access.address_of(request), now=now, in_place_of=form.cleaned_data.get("hold"),
    )  # fmt: skip
    return {"hold": hold, "is_not_kept": hold is None}


@never_cache
@require_http_methods(["GET", "POST"])
def confirm(request: HttpRequest, public_id: UUID, token: str) -> HttpResponse:
    """The page behind the mailed link: the button makes the request a booking and signs the agent in."""
    if not tokens.fits(token, "request", public_id):
        raise Http404
    kept = get_object_or_404(BookingRequest, public_id=public_id)
    now = timezone.now()
    if request.method == "POST" and kept.booking_id is None:
        try:
            booking = asking.confirm(kept, now=now)
        except StaleState as error:
            messages.error(request, str(error))
            return redirect("studio:request")
        if access.staff_of(request) is None:
            access.remember_client(request, booking.client)
        return _answer_client(request, booking.public_id)
    lines = quoting.from_json(kept.answers["lines"])
    includes_tax = Business.current().prices_include_tax
    context = {
        "asked": kept,
        "is_open": kept.is_open(now),
        "lines": lines,
        "totals": money.add_up(lines, prices_include_tax=includes_tax),
        "includes_tax": includes_tax,
    }
    return render(request, "studio/request/confirm.html", context, status=200 if context["is_open"] else 410)


@access.staff_only
@require_POST
def confirm_by_staff(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Staff take a request as it is: they know who sent it."""
    kept = get_object_or_404(BookingRequest, public_id=public_id)
    try:
        booking = asking.confirm(kept, by=access.staff_of(request), now=timezone.now())
    except StaleState as error:
        messages.error(request, str(error))
        return redirect("studio:start")
    return redirect("listings:booking", booking.public_id)


@access.staff_only
@require_POST
def decline_by_staff(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Staff put a request aside."""
    staff = access.staff_of(request)
    assert staff is not None
    asking.decline(get_object_or_404(BookingRequest, public_id=public_id), by=staff, now=timezone.now())
    messages.success(request, "The request is put aside; no mail was sent about it.")
    return redirect("studio:start")
