"""Outside pictures put off for the weather: a short second visit that hangs on the first."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

from studio import letters, money, quoting, records
from studio.errors import StaleState
from studio.models import Booking, BookingLine, Business, User

State = Booking.State
# The outside can be put off before, on and after the visit, until the set is sent.
FROM = frozenset({State.AGREED, State.UNDER_WAY, State.VISITED})
LINE_CODE = "outside-later"


def of(booking: Booking) -> Booking | None:
    """Return the second visit that was made for this one and not called off."""
    return booking.second_visits.exclude(state=State.CALLED_OFF).select_related("home").first()


def open_for(first: Booking, *, by: User, now: dt.datetime) -> Booking:
    """Make the second visit, without a time yet, and tell the client; in the caller's transaction.

    The caller holds the lock on the first booking's row and has seen that there is no second one.
    """
    if first.state not in FROM or first.follows_id is not None:
        raise StaleState(
            f"Booking {first.number} is {first.get_state_display().lower()}: nothing can be put off. "
            "A second visit itself is moved to another time instead."
        )
    business = Business.current()
    second = Booking.objects.create(
        home=first.home,
        client=first.client,
        photographer=first.photographer,
        follows=first,
        wants_outside=True,
        access_contact=first.access_contact,
        terms=first.terms,
        terms_accepted_at=first.terms_accepted_at,
        created_at=now,
    )
    quoting.write_lines(second, [_line(first, business)])
    records.note(f"put the outside off for the weather: {second.number}", booking=first, user=by, now=now)
    records.note(f"made for the outside of {first.number}", booking=second, user=by, now=now)
    _write(first, second, business, now=now)
    return second


def _line(first: Booking, business: Business) -> quoting.Line:
    """Return the one line: the owner's fee, as a rule nothing, taxed as the outside was at first."""
    lines = list(first.lines.all())
    like = next((line for line in lines if line.code == "outside"), lines[0] if lines else BookingLine())
    return quoting.Line(
        code=LINE_CODE,
        description=f"Outside pictures of booking {first.number}, put off for the weather",
        quantity=Decimal(1),
        unit_minor=business.second_visit_fee_minor,
        tax_name=like.tax_name,
        tax_percent=like.tax_percent,
        tax_category=like.tax_category,
        minutes=business.second_visit_minutes,
    )


def _write(first: Booking, second: Booking, business: Business, *, now: dt.datetime) -> None:
    fee_minor = business.second_visit_fee_minor
    price = (
        f"It costs {money.format_minor(fee_minor, business.currency)}"
        f"{'' if business.prices_include_tax else ' before tax'}."
        if fee_minor
        else "It costs nothing more."
    )
    letters.to_client(
        second,
        "put-off",
        "The outside pictures are put off",
        f"The weather does not suit the outside pictures of booking {first.number}, so we come back for "
        f"them: a short visit of about {business.second_visit_minutes} minutes. {price}\n\n"
        "Choose a time on the booking's page, or wait: we propose one. "
        "Everything else stays as it was agreed.",
        now=now,
    )
