"""The set of a booking: choose, order, caption, check, send; afterwards who has it and what they want."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from listings import changes, delivery, delivery_checks, galleries, links
from listings.forms.delivery import ConsentForm, LinkForm, OrderForm, SendForm, WordsForm
from listings.forms.gallery import AnswerForm
from listings.models import ChangeRequest, Delivery, DeliveryItem, GalleryLink, Picture
from studio import access, consents, records
from studio.errors import StudioError
from studio.models import Booking, User

State = Delivery.State


@access.staff_only
@require_safe
def overview(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """The set being built, or the one that was sent."""
    booking = access.booking_for_staff(request, public_id)
    row = delivery.current(booking)
    if row is None or row.state == State.BEING_BUILT:
        row = delivery.build(booking, now=timezone.now())
    if row.state == State.BEING_BUILT:
        return render(request, "listings/delivery_build.html", _building(booking, row))
    return render(request, "listings/delivery_sent.html", _sent(booking, row))


@access.staff_only
@require_POST
def begin(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Begin a new set beside the one that was sent."""
    booking = access.booking_for_staff(request, public_id)
    delivery.build(booking, now=timezone.now())
    return redirect("listings:delivery", public_id)


@access.staff_only
@require_POST
def order(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Put pictures into another order, into the set or out of it; works as a form and in the background."""
    booking = access.booking_for_staff(request, public_id)
    if (row := _being_built(request, booking)) is None:
        return redirect(_address(booking))
    form = OrderForm(request.POST)
    if not form.is_valid():
        return HttpResponse(form.errors.as_text(), status=400, content_type="text/plain; charset=utf-8")
    try:
        _carry_out(booking, row, form.cleaned_data)
    except StudioError as error:
        messages.error(request, str(error))
    if request.headers.get("HX-Request"):
        return render(request, "listings/_delivery_items.html", _building(booking, row))
    anchor = f"#i{form.cleaned_data['item']}" if form.cleaned_data["item"] else ""
    return redirect(f"{_address(booking)}{anchor}")


def _carry_out(booking: Booking, row: Delivery, data: dict[str, Any]) -> None:
    to, version = data["to"], data["version"]
    if data["order"]:
        delivery.reorder(row, data["order"], version=version)
    elif to == "walk":
        delivery.by_walk(row, version=version)
    elif to == "in":
        picture = get_object_or_404(Picture, booking=booking, public_id=data["item"])
        delivery.choose(booking, picture, is_chosen=True, now=timezone.now())
    elif to:
        item = get_object_or_404(DeliveryItem, delivery=row, public_id=data["item"])
        if to == "out":
            delivery.choose(booking, item.picture, is_chosen=False, now=timezone.now())
        else:
            delivery.move(row, item, to=to, version=version)


@access.staff_only
@require_http_methods(["GET", "HEAD", "POST"])
def words(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Caption and alternative text of one picture."""
    item = get_object_or_404(DeliveryItem.objects.select_related("delivery__booking"), public_id=public_id)
    booking = access.booking_for_staff(request, item.delivery.booking.public_id)
    form = WordsForm(request.POST or None, instance=item)
    if request.method == "POST" and form.is_valid():
        try:
            delivery.describe(item, **form.cleaned_data)
        except StudioError as error:
            messages.error(request, str(error))
        if request.headers.get("HX-Request"):
            return HttpResponse("Kept.")
        return redirect(f"{_address(booking)}#i{item.public_id}")
    if request.method == "POST":
        return HttpResponse(form.errors.as_text(), status=422, content_type="text/plain; charset=utf-8")
    return redirect(_address(booking))


@access.staff_only
@require_POST
def consent(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Keep who agreed to pictures of a tenant's things."""
    booking = access.booking_for_staff(request, public_id)
    if (row := _being_built(request, booking)) is None:
        return redirect(_address(booking))
    form = ConsentForm(request.POST)
    if form.is_valid():
        now = timezone.now()
        Delivery.objects.filter(pk=row.pk).update(consent=form.cleaned_data["consent"])
        records.note("wrote down consent", booking=booking, user=_by(request), now=now, **form.cleaned_data)
    else:
        messages.error(request, "Say in a few words who agreed, when and how.")
    return redirect(_address(booking))


@access.staff_only
@require_POST
def send(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Send the set."""
    booking = access.booking_for_staff(request, public_id)
    if (row := _being_built(request, booking)) is None:
        return redirect(_address(booking))
    form = SendForm(request.POST)
    if not form.is_valid():
        return render(
            request, "listings/delivery_build.html", _building(booking, row, send_form=form), status=422
        )
    data = form.cleaned_data
    row.version = data["version"]
    try:
        delivery.send(
            row, to=data["to"], message=data["message"], passphrase=data["passphrase"], by=_by(request),
            now=timezone.now(),
        )  # fmt: skip
        messages.success(request, f"The set is sent to {data['to']}. Its files are being made.")
    except StudioError as error:
        messages.error(request, str(error))
    return redirect(_address(booking))


@access.staff_only
@require_POST
def withdraw(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Close the galleries of a sent set."""
    row = _delivery(request, public_id)
    try:
        delivery.withdraw(row, by=_by(request), now=timezone.now())
        messages.success(
            request, "The set is withdrawn: its addresses open nothing any more. Nothing was deleted."
        )
    except StudioError as error:
        messages.error(request, str(error))
    return redirect(_address(row.booking))


@access.staff_only
@require_POST
def new_link(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Make another address of a sent set's gallery."""
    row = _delivery(request, public_id)
    form = LinkForm(request.POST)
    if row.state == State.SENT and form.is_valid():
        delivery.open_link(row, email="", now=timezone.now(), **form.cleaned_data)
    else:
        messages.error(request, "Say for whom the address is.")
    return redirect(_address(row.booking))


@access.staff_only
@require_POST
def revoke_link(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Make one address useless."""
    link = get_object_or_404(GalleryLink.objects.select_related("delivery__booking"), public_id=public_id)
    booking = access.booking_for_staff(request, link.delivery.booking.public_id)
    links.revoke(link, now=timezone.now())
    records.note(
        "revoked a gallery address", booking=booking, user=_by(request), now=timezone.now(), link=str(link)
    )
    messages.success(request, f"The address for {link} opens nothing any more.")
    return redirect(_address(booking))


@access.staff_only
@require_POST
def try_again(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Make the failed files of a sent set again."""
    row = _delivery(request, public_id)
    count = delivery.try_files_again(row)
    messages.info(request, f"{count} files are being made again.")
    return redirect(_address(row.booking))


@access.staff_only
@require_POST
def answer(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Answer a change request."""
    row = get_object_or_404(
        ChangeRequest.objects.select_related("item__delivery__booking", "link"), public_id=public_id
    )
    booking = access.booking_for_staff(request, row.item.delivery.booking.public_id)
    form = AnswerForm(request.POST)
    if form.is_valid():
        try:
            changes.answer(row, text=form.cleaned_data["answer"], by=_by(request), now=timezone.now())
            messages.success(request, "Answered.")
        except StudioError as error:
            messages.error(request, str(error))
    else:
        messages.error(request, "Write a line of answer.")
    return redirect(f"{_address(booking)}#changes")


@access.staff_only
@require_safe
def files_state(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """How many files of a sent set are made."""
    row = _delivery(request, public_id)
    return render(
        request, "listings/_delivery_files.html", {"delivery": row, "files": delivery.files_state(row)}
    )


def _building(booking: Booking, row: Delivery, *, send_form: SendForm | None = None) -> dict[str, Any]:
    row.refresh_from_db()
    found = delivery_checks.checks(row)
    items = row.items.select_related("picture__room", "picture__shot", "picture__correction")
    items = items.defer("picture__correction__report", "picture__correction__plan", "picture__analysis")
    left_out = Picture.objects.filter(booking=booking, is_chosen=False).select_related("room", "correction")
    return {
        "booking": booking,
        "delivery": row,
        "items": [(item, WordsForm(instance=item, auto_id=f"{item.public_id}-%s")) for item in items],
        "left_out": left_out.defer("correction__report", "correction__plan", "analysis"),
        "checks": found,
        "is_stopped": any(check.is_stop for check in found),
        "consent_answer": consents.latest(booking),
        "needs_consent": any(check.code == "consent" for check in found),
        "consent_form": ConsentForm(initial={"consent": row.consent}),
        "form": send_form or SendForm(initial={"to": booking.client.email, "version": row.version}),
        "last_sent": Delivery.objects.filter(booking=booking).exclude(state=State.BEING_BUILT).first(),
    }


def _sent(booking: Booking, row: Delivery) -> dict[str, Any]:
    shown = galleries.pictures(row, is_released=True)
    return {
        "booking": booking,
        "delivery": row,
        "shown": shown,
        "files": delivery.files_state(row),
        "links": [(link, links.address(link)) for link in row.links.all()],
        "link_form": LinkForm(),
        "release": galleries.release_of(row),
        "downloads": row.downloads.select_related("link")[:50],
        "changes": [(one, changes.pin(one)) for one in changes.of_delivery(row)],
        "answer_form": AnswerForm(),
        "earlier": Delivery.objects.filter(booking=booking).exclude(pk=row.pk),
    }


def _being_built(request: HttpRequest, booking: Booking) -> Delivery | None:
    """Return the set being built; say so when it was sent or withdrawn meanwhile."""
    rows = Delivery.objects.select_related("booking__client", "booking__home")
    row = rows.filter(booking=booking, state=State.BEING_BUILT).first()
    if row is None:
        messages.error(
            request, "No set is being built: it was sent meanwhile. What you did last was not written."
        )
    return row


def _delivery(request: HttpRequest, public_id: UUID) -> Delivery:
    row = get_object_or_404(Delivery.objects.select_related("booking"), public_id=public_id)
    access.booking_for_staff(request, row.booking.public_id)
    return row


def _address(booking: Booking) -> str:

    return reverse("listings:delivery", args=[booking.public_id])


def _by(request: HttpRequest) -> User:
    staff = access.staff_of(request)
    assert staff is not None  # staff_only saw to it
    return staff
