"""The letters about a booking: what each says, to whom, with which file. Sent through `studio.mailing`."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from django.conf import settings
from django.urls import reverse

from studio import calendars, consents, mailing, money, quoting, tokens
from studio.models import Booking, BookingRequest, Business, Consent, User

Attachment = tuple[str, bytes, str]


def confirm_request(request: BookingRequest, *, now: dt.datetime) -> None:
    """To the visitor: the link whose button turns the request into a booking."""
    business = Business.current()
    wanted = f" on {when(request.wanted_at, business)}" if request.wanted_at else ""
    body = (
        f"Hello {request.name},\n\n"
        f"you asked {business.name} for pictures of {request.answers['home']['street']}{wanted}.\n"
        f"One press on this page makes it a request that we answer:\n\n{request_address(request)}\n\n"
        f"The link works until {when(request.expires_at, business)}. The time is not kept before. "
        "If it was not you, do nothing: nothing will be booked.\n"
    )
    _send("confirm-request", request.email, "One press, and your request reaches us", body, now)


def request_address(request: BookingRequest) -> str:
    secret = tokens.token("request", request.public_id)
    return settings.PUBLIC_URL + reverse("studio:request-confirm", args=[request.public_id, secret])


def asked(booking: Booking, *, now: dt.datetime) -> None:
    """To the client and to the business: a request came in."""
    business = Business.current()
    time = (
        f"You asked for {when(booking.starts_at, business)}. We keep that time for you until we answer."
        if booking.starts_at
        else "We shall propose a time."
    )
    to_client(booking, "asked", "We have your request", f"{time}\n\n{_prices(booking, business)}", now=now)
    _to_business(
        booking,
        "asked",
        f"Asked for: {booking.home}",
        f"{booking.client} asks for pictures of {booking.home}"
        f"{f' on {when(booking.starts_at, business)}' if booking.starts_at else ', no time chosen yet'}.",
        now=now,
    )


def agreed(booking: Booking, *, now: dt.datetime) -> None:
    """To the client: it is agreed, with the calendar file and the page for the household."""
    business = Business.current()
    text = (
        f"It is agreed: {when(booking.starts_at, business)}, {_about(booking)}.\n"
        f"{who_comes(booking, business)} will come.\n\n"
        f"How the home is made ready, on a page to pass on to the people who live there:\n"
        f"{preparation_address(booking)}\n\n{consent_wanted(booking)}{_prices(booking, business)}"
    )
    to_client(booking, "agreed", "Your visit is agreed", text, now=now, files=_calendar_file(booking, now))


def proposed(booking: Booking, *, now: dt.datetime) -> None:
    """To the client: another time is kept for the answer."""
    business = Business.current()
    until = when(booking.held_until, business)
    text = (
        f"Would {when(booking.starts_at, business)} suit you? The time is kept for you until {until}.\n"
        "Say yes, or choose another, on the booking's page."
    )
    to_client(booking, "proposed", "Would this time suit you?", text, now=now)


def moved(booking: Booking, *, by_client: bool, now: dt.datetime) -> None:
    """To the client, and to the business when the client did it: the visit has another time."""
    business = Business.current()
    time = when(booking.starts_at, business)
    text = f"The visit is now on {time}. The calendar file replaces the earlier one."
    to_client(booking, "moved", "Your visit has moved", text, now=now, files=_calendar_file(booking, now))
    if by_client:
        _to_business(
            booking,
            "moved",
            f"Moved: {booking.home}",
            f"{booking.client} moved the visit to {when(booking.starts_at, business)}.",
            now=now,
        )


def called_off(booking: Booking, *, by_client: bool, now: dt.datetime) -> None:
    """To the client, and to the business when the client did it: it will not take place."""
    reason = f"\nReason: {booking.called_off_reason}" if booking.called_off_reason else ""
    files = _calendar_file(booking, now) if booking.starts_at else ()
    text = f"The visit is called off.{reason}"
    to_client(booking, "called-off", "Your visit is called off", text, now=now, files=files)
    if by_client:
        _to_business(
            booking,
            "called-off",
            f"Called off: {booking.home}",
            f"{booking.client} called it off.{reason}",
            now=now,
        )


def preparation_address(booking: Booking) -> str:
    """Return the household's page: whoever has the address may open it."""
    secret = tokens.token("preparation", booking.public_id)
    return settings.PUBLIC_URL + reverse("studio:preparation", args=[booking.public_id, secret])


def consent_wanted(booking: Booking) -> str:
    """Return the words that ask to have the tenant agree, empty when there is nothing to ask for."""
    if not consents.is_awaited(booking):
        return ""
    return (
        "A tenant lives there, and we need their yes before pictures are handed over. Please pass this page "
        f"on to them soon:\n{consents.address(booking)}\n\n"
    )


def consent_answered(answer: Consent, *, now: dt.datetime) -> None:
    """To the business: the tenant answered on the page behind the link."""
    booking = answer.booking
    end = "" if answer.is_given else "\nNo picture can be handed over until that changes."
    subject = f"The tenant {'agreed' if answer.is_given else 'said no'}: {booking.home}"
    _to_business(booking, "consent", subject, f"{answer.words}.{end}", now=now)


def when(moment: dt.datetime | None, business: Business) -> str:
    """Return a moment as people say it, in the business's zone."""
    if moment is None:
        return "a time still open"
    local = moment.astimezone(business.zone)
    return f"{local:%A} {local.day} {local:%B %Y}, {local.hour}:{local:%M}"


def who_comes(booking: Booking, business: Business) -> str:
    return booking.photographer.name if booking.photographer else business.name


def _about(booking: Booking) -> str:
    minutes = round(booking.length.total_seconds() / 60) if booking.length else 0
    hours, rest = divmod(minutes, 60)
    return "about " + " ".join(
        part for part in (f"{hours} h" if hours else "", f"{rest} min" if rest else "") if part
    )


def _prices(booking: Booking, business: Business) -> str:
    rows = [
        f"  {line.description}"
        + (f" x {line.quantity.normalize():f}" if line.quantity != 1 else "")
        + ": "
        + money.format_minor(money.line_amount_minor(line.quantity, line.unit_minor), business.currency)
        for line in booking.lines.all()
    ]
    if not rows:
        return ""
    totals = quoting.totals_of(booking)
    rows += [
        f"  {tax.name}: {money.format_minor(tax.tax_minor, business.currency)}"
        for tax in totals.taxes
        if tax.tax_minor
    ]
    return "\n".join([*rows, f"  Total: {money.format_minor(totals.total_minor, business.currency)}"])


def _calendar_file(booking: Booking, now: dt.datetime) -> Sequence[Attachment]:
    method = "CANCEL" if booking.state == Booking.State.CALLED_OFF else "REQUEST"
    content = calendars.invitation(booking, now=now)
    return ((f"visit-{booking.number}.ics", content, f"text/calendar; charset=utf-8; method={method}"),)


def to_client(
    booking: Booking,
    kind: str,
    subject: str,
    text: str,
    *,
    now: dt.datetime,
    files: Sequence[Attachment] = (),
) -> None:
    """Write to the client, with the way to the booking's page."""
    business = Business.current()
    page = settings.PUBLIC_URL + reverse("listings:booking", args=[booking.public_id])
    body = (
        f"Hello {booking.client.name},\n\n{text.strip()}\n\n"
        f"{booking.home}\nBooking {booking.number}: {page}\n\n"
        f"{business.name}{f', {business.phone}' if business.phone else ''}\n"
    )
    _send(
        kind,
        booking.client.email,
        f"{subject}: {booking.home.street}",
        body,
        now,
        booking=booking,
        files=files,
    )


def to_contact(booking: Booking, kind: str, subject: str, text: str, *, now: dt.datetime) -> bool:
    """Write to whoever opens the door, if a mail address is known that isn't the client's.

    They have no account, so nothing in the letter leads to the booking's page.
    """
    to = booking.contact_email
    if not to or to.lower() == booking.client.email.lower():
        return False
    to_household(booking, to, f"{kind}-contact", subject, text, now=now)
    return True


def to_household(booking: Booking, to: str, kind: str, subject: str, text: str, *, now: dt.datetime) -> None:
    """Write to somebody at the home, who knows of us only from the client."""
    business = Business.current()
    body = (
        f"Hello,\n\n{text.strip()}\n\n{booking.home}\n\n"
        f"{business.name}{f', {business.phone}' if business.phone else ''}\n"
    )
    _send(kind, to, f"{subject}: {booking.home.street}", body, now, booking=booking)


def _to_business(booking: Booking, kind: str, subject: str, text: str, *, now: dt.datetime) -> None:
    business = Business.current()
    owners = User.objects.filter(role=User.Role.OWNER, is_active=True).order_by("pk")
    to = business.email or owners.values_list("email", flat=True).first()
    if not to:
        return
    page = settings.PUBLIC_URL + reverse("listings:booking", args=[booking.public_id])
    _send(f"{kind}-here", to, subject, f"{text}\n\n{page}\n", now, booking=booking)


def _send(
    kind: str,
    to: str,
    subject: str,
    body: str,
    now: dt.datetime,
    *,
    booking: Booking | None = None,
    files: Sequence[Attachment] = (),
) -> None:
    mailing.send(kind, to=to, subject=subject, body=body, booking=booking, attachments=files, now=now)
