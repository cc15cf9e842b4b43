"""The gallery: a sent set for whoever holds its address; no account, nothing for search engines."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Concatenate, ParamSpec
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.crypto import constant_time_compare, salted_hmac
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from listings import changes, delivery, files, galleries, links, manifests
from listings.forms.gallery import ChangeForm, PassphraseForm
from listings.models import Delivery, DeliveryItem, GalleryLink, Purpose
from studio import access

P = ParamSpec("P")
View = Callable[Concatenate[HttpRequest, GalleryLink, P], HttpResponseBase]


def open_to_holder(view: View[P]) -> Callable[..., HttpResponseBase]:
    """Turn the token of the address into its link, or say why it opens nothing (any more)."""

    @functools.wraps(view)
    def guarded(request: HttpRequest, token: str, *args: P.args, **kwargs: P.kwargs) -> HttpResponseBase:
        link = links.find(token)
        if link is None:
            response: HttpResponseBase = render(request, "listings/gallery_gone.html", status=404)
        elif link.delivery.state != Delivery.State.SENT or not link.is_open(timezone.now()):
            response = render(request, "listings/gallery_ended.html", {"link": link}, status=410)
        elif link.passphrase and not _is_let_in(request, link):
            response = redirect("listings:gallery-passphrase", token)
        else:
            response = view(request, link, *args, **kwargs)
        return _discreet(response)

    return guarded


@open_to_holder
@require_safe
def gallery(request: HttpRequest, link: GalleryLink) -> HttpResponse:
    """The first picture full width, then the walk through the home."""
    galleries.note_opened(link, now=timezone.now())
    release = galleries.release_of(link.delivery)
    shown = galleries.pictures(link.delivery, is_released=release.is_open)
    return render(
        request,
        "listings/gallery.html",
        {
            "link": link,
            "token": links.token(link),
            "delivery": link.delivery,
            "booking": link.delivery.booking,
            "first": shown[0] if shown else None,
            "rooms": galleries.walk(shown[1:]),
            "count": len(shown),
            "altered": [one for one in shown if one.alterations],
            "release": release,
            "purposes": galleries.offered(),
            "files": delivery.files_state(link.delivery),
            "answers": changes.of_link(link),
        },
    )


@require_http_methods(["GET", "HEAD", "POST"])
def passphrase(request: HttpRequest, token: str) -> HttpResponseBase:
    """Ask for the words that were told another way; a few tries, then a pause."""
    link = links.find(token)
    if link is None or not link.passphrase:
        return redirect("listings:gallery", token)
    form = PassphraseForm(request.POST or None)
    status = 200
    if request.method == "POST":
        now, address = timezone.now(), access.address_of(request)
        if not form.is_valid():
            status = 422
        elif (one := galleries.begin_try(link, address, now=now)) is None:
            form.add_error(None, "Too many tries. Wait a quarter of an hour, then try again.")
            status = 429
        elif links.is_passphrase(link, form.cleaned_data["words"]):
            one.delete()
            request.session[_key(link)] = _stamp(link)
            return _discreet(redirect("listings:gallery", token))
        else:
            form.add_error("words", "That isn't the passphrase.")
    return _discreet(
        render(request, "listings/gallery_passphrase.html", {"form": form, "link": link}, status=status)
    )


@open_to_holder
@require_safe
def image(request: HttpRequest, link: GalleryLink, item_id: UUID, size: str) -> HttpResponseBase:
    """A picture in one of the sizes that may be seen now."""
    item = _item(link, item_id)
    assert item.correction is not None
    if size == "small":
        return files.serve(request, item.correction.thumbnail, name=f"{item.public_id}.jpg")
    if size == "screen":
        copy = item.copies.filter(purpose__slug=galleries.SCREEN).first()
        if copy is not None and copy.file:
            return files.serve(request, copy.file, name=f"{item.public_id}.jpg", etag=copy.sha256)
    if size == "large" and galleries.release_of(link.delivery).is_open:
        return files.serve(request, item.correction.preview, name=f"{item.public_id}.jpg")
    raise Http404


@open_to_holder
@require_safe
def file(request: HttpRequest, link: GalleryLink, item_id: UUID, purpose: str) -> HttpResponseBase:
    """One picture for one purpose."""
    wanted = get_object_or_404(Purpose, slug=purpose, is_offered=True)
    if refusal := _not_released(request, link):
        return refusal
    shown = galleries.pictures(link.delivery, is_released=True)
    for item, copy, name in galleries.named_files(shown, wanted):
        if item.public_id == item_id:
            _note(request, link, name, wanted)
            return files.serve(request, copy.file, name=name, as_download=True, etag=copy.sha256)
    raise Http404


@open_to_holder
@require_safe
def whole_set(request: HttpRequest, link: GalleryLink) -> HttpResponseBase:
    """All pictures for a purpose as one ZIP that can be resumed."""
    wanted = get_object_or_404(Purpose, slug=request.GET.get("purpose", ""), is_offered=True)
    if refusal := _not_released(request, link):
        return refusal
    shown = galleries.pictures(link.delivery, is_released=True)
    if len(galleries.named_files(shown, wanted)) < len(shown):
        messages.info(request, "Some of these files are still being made. Try again in a minute.")
        return redirect("listings:gallery", links.token(link))
    archive = galleries.archive(link.delivery, shown, wanted)
    name = galleries.archive_name(link.delivery, wanted)
    _note(request, link, name, wanted)
    return files.answer(
        request,
        size=archive.size,
        read=archive.read,
        etag=archive.etag,
        name=name,
        as_download=True,
        content_type="application/zip",
    )


@open_to_holder
@require_safe
def manifest(request: HttpRequest, link: GalleryLink, form: str) -> HttpResponse:
    """What is in the set, for programs."""
    wanted = get_object_or_404(Purpose, slug=request.GET.get("purpose", "listing"))
    shown = galleries.pictures(link.delivery, is_released=True)
    named = galleries.named_files(shown, wanted)
    rows = manifests.rows(link.delivery, named, is_largest=wanted.long_edge_px is None)
    if form == "json":
        return HttpResponse(manifests.as_json(rows), content_type="application/json")
    response = HttpResponse(manifests.as_csv(rows), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = 'attachment; filename="manifest.csv"'
    return response


@open_to_holder
def change(request: HttpRequest, link: GalleryLink, item_id: UUID) -> HttpResponse:
    """Ask for a change, pinned on a place in the picture."""
    item = _item(link, item_id)
    form = ChangeForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        if not changes.may_ask(link, now=timezone.now()):
            form.add_error(
                None, "That is a lot of changes for a day. Please call us; what you asked for is kept."
            )
        else:
            changes.ask(item, link, text=form.cleaned_data["text"], place=form.place(), now=timezone.now())
            messages.success(request, "Thank you. We look at it and answer you here and by mail.")
            return redirect("listings:gallery", links.token(link))
    release = galleries.release_of(link.delivery)
    shown = next(
        one
        for one in galleries.pictures(link.delivery, is_released=release.is_open)
        if one.item.pk == item.pk
    )
    context = {
        "link": link,
        "token": links.token(link),
        "one": shown,
        "form": form,
        "booking": link.delivery.booking,
    }
    return render(request, "listings/gallery_change.html", context)


@access.signed_in
@require_safe
def of_booking(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """Lead a signed-in client (or staff) from the booking to its newest open gallery."""
    booking = access.booking_for_either(request, public_id)
    link = galleries.open_link_of(booking, now=timezone.now())
    if link is None:
        raise Http404
    return redirect("listings:gallery", links.token(link))


@open_to_holder
@require_POST
def forget(request: HttpRequest, link: GalleryLink) -> HttpResponse:
    """Ask for the passphrase again on this device."""
    request.session.pop(_key(link), None)
    return redirect("listings:gallery", links.token(link))


def _item(link: GalleryLink, item_id: UUID) -> DeliveryItem:
    rows = DeliveryItem.objects.filter(delivery=link.delivery, correction__isnull=False)
    rows = rows.select_related("correction", "picture__room").defer(*galleries.HEAVY)
    return get_object_or_404(rows, public_id=item_id)


def _not_released(request: HttpRequest, link: GalleryLink) -> HttpResponse | None:
    release = galleries.release_of(link.delivery)
    if release.is_open:
        return None
    return render(request, "listings/gallery_unpaid.html", {"link": link, "release": release}, status=402)


def _note(request: HttpRequest, link: GalleryLink, what: str, purpose: Purpose) -> None:
    """Write a download down once: not its resumed parts, not a mere look at its length."""
    begins = request.headers.get("Range", "bytes=0-").startswith("bytes=0-")
    if request.method == "GET" and begins and "If-None-Match" not in request.headers:
        galleries.note_download(link, what, purpose, now=timezone.now())


def _key(link: GalleryLink) -> str:
    return f"gallery-{link.pk}"


def _stamp(link: GalleryLink) -> str:
    """Return what a device that knew the words carries: another passphrase, another stamp."""
    return salted_hmac("listings.gallery.let-in", f"{link.generation}:{link.passphrase}").hexdigest()


def _is_let_in(request: HttpRequest, link: GalleryLink) -> bool:
    return constant_time_compare(str(request.session.get(_key(link), "")), _stamp(link))


def _discreet(response: HttpResponseBase) -> HttpResponseBase:
    """Keep the address out of search engines, other sites' logs and shared caches."""
    response["X-Robots-Tag"] = "noindex, nofollow, noarchive"
    response["Referrer-Policy"] = "same-origin"
    if not response.has_header("Cache-Control"):
        response["Cache-Control"] = "private, no-store"
    return response
