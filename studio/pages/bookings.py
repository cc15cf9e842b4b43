"""The list of bookings, entering one by hand, and what is done to one from its page."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from studio import access, access_notes, arranging, calendars, finding, quoting, records
from studio.errors import StudioError
from studio.forms.bookings import (
    AccessNoteForm,
    CallOffForm,
    ChosenTimeForm,
    EnterForm,
    FindForm,
    LineForm,
    SeenTimeForm,
    SetTimeForm,
)
from studio.forms.places import HomeForm
from studio.forms.requesting import SetForm
from studio.models import Booking, BookingLine, Business, Client, Property, User

A_PAGE = 40


@access.staff_only
@require_safe
def listing(request: HttpRequest) -> HttpResponse:
    """All bookings, by one sentence that can be edited."""
    form = FindForm({"which": "all", **request.GET.dict()})
    form.is_valid()  # what can't be read narrows nothing
    rows = finding.bookings(form.cleaned_data, now=timezone.now())
    page = Paginator(rows, A_PAGE).get_page(request.GET.get("page"))
    template = "studio/bookings/_rows.html" if request.htmx else "studio/bookings/list.html"  # type: ignore[attr-defined]
    has_any = bool(page.object_list) or Booking.objects.exists()
    context = {"form": form, "page": page, "has_any": has_any, "words": request.GET.urlencode()}
    return render(request, template, context)


@access.staff_only
@require_http_methods(["GET", "POST"])
def enter(request: HttpRequest) -> HttpResponse:
    """Write down a booking that came by telephone; the address may name the client or an earlier booking."""
    staff, now, business = access.staff_of(request), timezone.now(), Business.current()
    assert staff is not None
    client, earlier = _known(request)
    data = request.POST or None
    form = EnterForm(data, initial={"client": client, "on": request.GET.get("on")})
    home_form = HomeForm(data, instance=Property() if data else _copy(earlier))
    if form.is_valid() and form.cleaned_data["client"]:
        client = form.cleaned_data["client"]
    set_form = SetForm(data, client=client, business=business, on=now.astimezone(business.zone).date())
    if data and all([form.is_valid(), home_form.is_valid(), set_form.is_valid()]):
        good = form.cleaned_data
        try:
            with transaction.atomic():
                booking = arranging.enter(
                    client=form.find_or_make_client(),
                    home=home_form.save(commit=False),
                    lines=set_form.quote(home_form).lines,
                    by=staff,
                    now=now,
                    starts_at=good["starts_at"],
                    photographer=good["photographer"],
                    on=good["on"],
                    wishes=set_form.cleaned_data["wishes"],
                    access_contact=set_form.cleaned_data["access_contact"],
                )
        except StudioError as error:
            form.add_error("on", str(error))
        else:
            messages.success(request, f"Booking {booking.number} is written down.")
            return redirect("listings:booking", booking.public_id)
    return render(
        request,
        "studio/bookings/enter.html",
        {"form": form, "home_form": home_form, "set_form": set_form, "currency": business.currency},
        status=422 if data else 200,
    )


def _known(request: HttpRequest) -> tuple[Client | None, Booking | None]:
    """Return the client and the earlier booking that the address names, as far as they exist."""
    earlier = None
    if again := _uuid(request.GET.get("again")):
        earlier = access.bookings().filter(public_id=again).first()
    client = earlier.client if earlier else None
    if named := _uuid(request.GET.get("client")):
        client = Client.objects.filter(public_id=named).first()
    return client, earlier


def _uuid(text: str | None) -> UUID | None:
    try:
        return UUID(text or "")
    except ValueError:
        return None


def _copy(earlier: Booking | None) -> Property:
    if earlier is None:
        return Property()
    fields = [*HomeForm.Meta.fields, "latitude_deg", "longitude_deg", "front_bearing_deg"]
    return Property(**{name: getattr(earlier.home, name) for name in fields})


def _act(request: HttpRequest, booking: Booking, does: Callable[[], object], *, done: str) -> HttpResponse:
    """Do one thing to a booking, say how it went, and go back to its page."""
    try:
        does()
    except StudioError as error:
        messages.error(request, str(error))
    else:
        messages.success(request, done)
    return redirect("listings:booking", booking.public_id)


def _staff(request: HttpRequest) -> User:
    staff = access.staff_of(request)
    assert staff is not None
    return staff


def _someone(request: HttpRequest) -> User | Client:
    actor = access.actor_of(request)
    assert actor is not None
    return actor


def _seen(request: HttpRequest) -> dt.datetime | None:
    """Return the time that stood on the button that was pressed."""
    form = SeenTimeForm(request.POST)
    return form.cleaned_data["seen"] if form.is_valid() else None


@access.staff_only
@require_POST
def agree(request: HttpRequest, public_id: UUID) -> HttpResponse:
    booking = access.booking_for_staff(request, public_id)
    return _act(
        request,
        booking,
        lambda: arranging.agree(booking, by=_staff(request), now=timezone.now(), seen=_seen(request)),
        done="Agreed. The client has a letter with the calendar file.",
    )


@access.staff_only
@require_POST
def set_time(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Propose a time, set one that was spoken about, or move the visit."""
    booking = access.booking_for_staff(request, public_id)
    form = SetTimeForm(request.POST, prefix="when")
    if not form.is_valid():
        messages.error(request, "Write a day and a time: " + _first_error(form))
        return redirect("listings:booking", public_id)
    good, staff, now = form.cleaned_data, _staff(request), timezone.now()
    if request.POST.get("act") == "propose":
        return _act(
            request,
            booking,
            lambda: arranging.propose(booking, good["starts_at"], good["photographer"], by=staff, now=now),
            done="Proposed. The time is kept until the answer comes or the hold ends.",
        )
    return _act(
        request,
        booking,
        lambda: arranging.set_time(booking, good["starts_at"], good["photographer"], by=staff, now=now),
        done="The time is set, and the client has a letter.",
    )


@access.signed_in
@require_POST
def accept(request: HttpRequest, public_id: UUID) -> HttpResponse:
    booking = access.booking_for_either(request, public_id)
    return _act(
        request,
        booking,
        lambda: arranging.accept(booking, by=_someone(request), now=timezone.now(), seen=_seen(request)),
        done="It is agreed. A letter with the calendar file is on its way.",
    )


@access.signed_in
@require_POST
def accept_terms(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """The agent accepts the terms of a booking that staff wrote down."""
    booking = access.booking_for_either(request, public_id)
    if (client := access.client_of(request)) is None:
        raise Http404
    text = request.POST.get("version", "")
    version = int(text) if text.isdecimal() and len(text) < 10 else 0
    return _act(
        request,
        booking,
        lambda: arranging.accept_terms(booking, version, by=client, now=timezone.now()),
        done="Thank you. The version and the time are kept with the booking.",
    )


@access.signed_in
@require_POST
def choose(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """The agent asks for another free time, or moves the agreed visit to it."""
    booking = access.booking_for_either(request, public_id)
    form = ChosenTimeForm(request.POST)
    if not form.is_valid():
        messages.error(request, _first_error(form))
        return redirect("listings:booking", public_id)
    return _act(
        request,
        booking,
        lambda: arranging.choose(
            booking, form.cleaned_data["starts_at"], by=_someone(request), now=timezone.now()
        ),
        done="The time is yours.",
    )


@access.signed_in
@require_POST
def call_off(request: HttpRequest, public_id: UUID) -> HttpResponse:
    booking = access.booking_for_either(request, public_id)
    form = CallOffForm(request.POST, prefix="off")
    if not form.is_valid():
        messages.error(request, "Say why in a few words; the other side reads it. Nothing was called off.")
        return redirect("listings:booking", public_id)
    return _act(
        request,
        booking,
        lambda: arranging.call_off(
            booking, form.cleaned_data["reason"], by=_someone(request), now=timezone.now()
        ),
        done="Called off. The time is free again, and the other side has a letter.",
    )


@access.staff_only
@require_POST
def add_line(request: HttpRequest, public_id: UUID) -> HttpResponse:
    booking = access.booking_for_staff(request, public_id)
    form = LineForm(request.POST, currency=Business.current().currency, prefix="line")
    if not form.is_valid():
        messages.error(request, f"The line was not added. {_first_error(form)}")
        return redirect("listings:booking", public_id)
    good = form.cleaned_data
    return _act(
        request,
        booking,
        lambda: quoting.add_line(
            booking,
            description=good["description"],
            quantity=good["quantity"],
            unit_minor=good["price"],
            tax_rate=good["tax_rate"],
            by=_staff(request),
            now=timezone.now(),
        ),
        done="The line is added; the client sees it on the booking's page.",
    )


@access.staff_only
@require_POST
def remove_line(request: HttpRequest, public_id: UUID, pk: int) -> HttpResponse:
    booking = access.booking_for_staff(request, public_id)
    line = get_object_or_404(BookingLine, pk=pk, booking=booking)
    return _act(
        request,
        booking,
        lambda: quoting.remove_line(booking, line, by=_staff(request), now=timezone.now()),
        done="The line is taken away.",
    )


@never_cache
@access.staff_only
@require_POST
def read_note(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Show how to get in, to the assigned person and the owner; every look is recorded."""
    booking = access.booking_for_staff(request, public_id)
    text, problem = "", ""
    if not access.may_read_access_note(request, booking):
        problem = "The note is for the person who goes there, and for the owner."
    else:
        try:
            text = access_notes.read(booking, by=_staff(request), now=timezone.now())
        except StudioError as error:
            problem = str(error)
    name = "_access_note_open.html" if request.htmx else "access_note.html"  # type: ignore[attr-defined]
    return render(
        request,
        f"studio/bookings/{name}",
        {"booking": booking, "text": text, "problem": problem},
        status=403 if problem and not text else 200,
    )


@access.signed_in
@require_POST
def write_note(request: HttpRequest, public_id: UUID) -> HttpResponse:
    booking = access.booking_for_either(request, public_id)
    if access.client_of(request) is None and not access.may_read_access_note(request, booking):
        messages.error(request, "The note is written by the person who goes there, the owner or the client.")
        return redirect("listings:booking", public_id)
    form = AccessNoteForm(request.POST, prefix="note")
    if form.is_valid():
        access_notes.write(
            booking, form.cleaned_data["text"], by=access.actor_of(request), now=timezone.now()
        )
        messages.success(request, "The note is kept, encrypted.")
    return redirect("listings:booking", public_id)


@access.signed_in
@require_safe
def calendar_file(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """The visit as a calendar file."""
    booking = access.booking_for_either(request, public_id)
    if booking.starts_at is None:
        messages.error(request, "There is no time yet; the file comes with it.")
        return redirect("listings:booking", public_id)
    response = HttpResponse(
        calendars.invitation(booking, now=timezone.now()), content_type="text/calendar; charset=utf-8"
    )
    response["Content-Disposition"] = f'attachment; filename="visit-{booking.number}.ics"'
    return response


@access.staff_only
@require_http_methods(["GET", "POST"])
def home(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Correct what is known of the home."""
    booking = access.booking_for_staff(request, public_id)
    form = HomeForm(request.POST or None, instance=booking.home)
    if request.method == "POST" and form.is_valid():
        form.save()
        records.note("corrected the home", booking=booking, user=access.staff_of(request), now=timezone.now())
        messages.success(request, "The home is corrected. Prices stay as they were quoted.")
        return redirect("listings:booking", public_id)
    return render(request, "studio/bookings/home.html", {"booking": booking, "form": form})


def _first_error(form: SetTimeForm | LineForm | ChosenTimeForm) -> str:
    return next((str(errors[0]) for errors in form.errors.values()), "")
