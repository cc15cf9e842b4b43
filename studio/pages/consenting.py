"""The tenant's consent: the page to answer on, by an address nobody can guess, and what staff do about it."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from studio import access, consents, limits, tenants, tokens
from studio.errors import StudioError
from studio.forms.consents import AnswerForm, AskForm, WriteDownForm
from studio.models import Booking, Business

# Answers by the link are kept for good, so nobody may send them without end.
MOST_ANSWERS, WITHIN_S = 10, 3600


@never_cache
@require_http_methods(["GET", "POST"])
def consent(request: HttpRequest, public_id: UUID, token: str) -> HttpResponse:
    """Show what is asked and take the answer; it can be changed here as long as the link is known."""
    if not tokens.fits(token, "consent", public_id):
        raise Http404
    booking = get_object_or_404(access.bookings(), public_id=public_id)
    text = consents.text_of(booking, Business.current())
    form = AnswerForm(request.POST or None, initial={"seen": consents.digest(text)})
    status = 200
    if request.method == "POST":
        status = 422
        if not limits.has_room("consent", str(public_id), most=MOST_ANSWERS, within_s=WITHIN_S):
            messages.error(request, "Too many answers came from this link. Try again in an hour, or call us.")
        elif form.is_valid():
            good = form.cleaned_data
            try:
                tenants.answer_by_link(
                    booking, good["name"], is_given=good["answer"] == "yes", seen=good["seen"],
                    now=timezone.now(),
                )  # fmt: skip
            except StudioError as error:
                messages.error(request, str(error))
            else:
                messages.success(request, "Thank you. Your answer is kept.")
            return redirect(request.path)
    response = render(
        request,
        "studio/consent.html",
        {
            "booking": booking,
            "text": text,
            "form": form,
            "answer": consents.latest(booking),
            "is_off": booking.state == Booking.State.CALLED_OFF,
        },
        status=status,
    )
    response["X-Robots-Tag"] = "noindex"
    return response


@access.staff_only
@require_POST
def ask(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Mail the tenant the page."""
    booking, staff = access.booking_for_staff(request, public_id), access.staff_of(request)
    assert staff is not None
    form = AskForm(request.POST, prefix="tenant")
    if form.is_valid():
        tenants.ask(booking, form.cleaned_data["email"], by=staff, now=timezone.now())
        messages.success(request, "The tenant has a letter with the page to answer on.")
    else:
        messages.error(request, "That is no mail address. Nothing was sent.")
    return redirect("listings:booking", public_id)


@access.staff_only
@require_POST
def write_down(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Keep an answer that came on paper, by mail or by word of mouth."""
    booking, staff = access.booking_for_staff(request, public_id), access.staff_of(request)
    assert staff is not None
    form = WriteDownForm(request.POST, prefix="answer")
    if form.is_valid():
        good = form.cleaned_data
        tenants.write_down(
            booking, good["name"], is_given=good["answer"] == "yes", how=good["how"], on=good["on"],
            note=good["note"], by=staff, now=timezone.now(),
        )  # fmt: skip
        messages.success(request, "The tenant's answer is kept.")
    else:
        field, errors = next(iter(form.errors.items()))
        messages.error(request, f"{form.fields[field].label}: {errors[0]} No answer was kept.")
    return redirect("listings:booking", public_id)
