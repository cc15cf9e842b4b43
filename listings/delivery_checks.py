"""What is looked at before a set is sent, each with its reason: some things stop it, others are only said."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from listings import operations, originals
from listings.models import Delivery, DeliveryItem, Picture
from studio import consents
from studio.models import Booking

# Limits of listing services as they are commonly seen (no standard; an owner's service may differ).
SMALLEST_PX = (1024, 768)
USUAL_MOST_PICTURES = 50


@dataclass(frozen=True)
class Check:
    """One finding; `is_stop` keeps the set from being sent."""

    code: str
    words: str
    is_stop: bool = False
    items: tuple[DeliveryItem, ...] = ()


def checks(delivery: Delivery) -> list[Check]:
    """Return everything that is worth a look, what stops the set first."""
    items = list(
        delivery.items.select_related(
            "picture__room", "picture__shot", "picture__correction"
        ).prefetch_related("picture__alterations")
    )
    found = [check for look in LOOKS for check in look(delivery, items)]
    return sorted(found, key=lambda check: not check.is_stop)


def stops(delivery: Delivery) -> list[Check]:
    return [check for check in checks(delivery) if check.is_stop]


def _is_empty(delivery: Delivery, items: list[DeliveryItem]) -> Iterator[Check]:
    if not items:
        yield Check("empty", "No picture is chosen.", True)


def _unmade(delivery: Delivery, items: list[DeliveryItem]) -> Iterator[Check]:
    state = Picture.State
    waiting = tuple(item for item in items if item.picture.state in (state.WAITING, state.BEING_MADE))
    failed = tuple(item for item in items if item.picture.state == state.FAILED)
    if waiting:
        yield Check("unmade", f"{_pictures(waiting)} still being made.", True, waiting)
    if failed:
        yield Check("failed", f"{_pictures(failed)} not made: try again, or leave out.", True, failed)


def _visit(delivery: Delivery, items: list[DeliveryItem]) -> Iterator[Check]:
    state = Booking.State
    if delivery.booking.state not in (state.UNDER_WAY, state.VISITED, state.SENT, state.CLOSED):
        words = (
            f"The booking is {delivery.booking.get_state_display().lower()}: the visit has not taken place."
        )
        yield Check("visit", words, True)


def _consent(delivery: Delivery, items: list[DeliveryItem]) -> Iterator[Check]:
    """A no stops the set whatever was written down before; the last answer on the booking's page counts."""
    if not consents.is_needed(delivery.booking):
        return
    answer = consents.latest(delivery.booking)
    if answer is not None and not answer.is_given:
        words = f"{answer.words}. Speak with the tenant; a new answer is kept on the booking's page."
        yield Check("consent", words, True)
    elif answer is None and not delivery.consent:
        yield Check(
            "consent",
            "A tenant lives there: ask on the booking's page, or say here who agreed to pictures of their "
            "things, when and how. In many places the law wants it in writing.",
            True,
        )


def _words_missing(delivery: Delivery, items: list[DeliveryItem]) -> Iterator[Check]:
    silent = tuple(item for item in items if not item.alt_text)
    bare = tuple(item for item in items if not item.caption)
    if silent:
        yield Check("alt", f"{_pictures(silent)} without words for people who can't see.", items=silent)
    if bare:
        yield Check("caption", f"{_pictures(bare)} without a caption.", items=bare)


def _doubts(delivery: Delivery, items: list[DeliveryItem]) -> Iterator[Check]:
    doubtful = tuple(item for item in items if _needs_look(item.picture))
    if doubtful:
        yield Check("look", f"{_pictures(doubtful)} doubtful and nobody has looked yet.", items=doubtful)


def _sizes(delivery: Delivery, items: list[DeliveryItem]) -> Iterator[Check]:
    least = min(SMALLEST_PX)
    small = tuple(
        item
        for item in items
        if (made := item.picture.correction)
        and (max(made.width, made.height) < max(SMALLEST_PX) or min(made.width, made.height) < least)
    )
    upright = tuple(item for item in items if (made := item.picture.correction) and made.height > made.width)
    if small:
        words = (
            f"{_pictures(small)} smaller than {SMALLEST_PX[0]} x {SMALLEST_PX[1]}: many services refuse them."
        )
        yield Check("small", words, items=small)
    if upright:
        yield Check("upright", f"{_pictures(upright)} upright: many services want them wide.", items=upright)
    if len(items) > USUAL_MOST_PICTURES:
        words = f"{len(items)} pictures: many services take no more than {USUAL_MOST_PICTURES}."
        yield Check("many", words)


def _alterations(delivery: Delivery, items: list[DeliveryItem]) -> Iterator[Check]:
    altered = tuple(
        item
        for item in items
        if originals.in_version(item.picture.alterations.all(), item.picture.correction)
    )
    if altered:
        yield Check(
            "altered",
            f"{_pictures(altered)} altered: the gallery says so, and a public page shows the original. "
            "Many listing services want the first picture unaltered.",
            items=altered,
        )


def _doubles(delivery: Delivery, items: list[DeliveryItem]) -> Iterator[Check]:
    count = Counter(item.picture.shot_id for item in items if item.picture.shot_id)
    double = tuple(item for item in items if count[item.picture.shot_id or 0] > 1)
    if double:
        yield Check("double", f"{_pictures(double)} of the same view: are all of them wanted?", items=double)


def _missing(delivery: Delivery, items: list[DeliveryItem]) -> Iterator[Check]:
    shown = {item.picture.shot_id for item in items}
    missing = [shot for shot in operations.required_shots(delivery.booking) if shot.pk not in shown]
    if missing:
        named = "; ".join(f"{shot.room.name}, {shot.view}" for shot in missing[:6])
        more = f" and {len(missing) - 6} more" if len(missing) > 6 else ""
        yield Check("missing", f"Wanted views without a picture: {named}{more}.")


def _first(delivery: Delivery, items: list[DeliveryItem]) -> Iterator[Check]:
    kinds = [item.picture.room.kind if item.picture.room else "" for item in items]
    if "front" in kinds and kinds[0] != "front":
        yield Check("first", "The front is not the first picture; listing services usually show it first.")


def _needs_look(picture: Picture) -> bool:
    if picture.is_touched or picture.correction is None:
        return False
    return bool(picture.correction.report.get("quality", {}).get("needs_look"))


def _pictures(items: tuple[DeliveryItem, ...]) -> str:
    return "1 picture is" if len(items) == 1 else f"{len(items)} pictures are"


LOOKS: tuple[Callable[[Delivery, list[DeliveryItem]], Iterator[Check]], ...] = (
    _is_empty,
    _unmade,
    _visit,
    _consent,
    _doubts,
    _alterations,
    _missing,
    _first,
    _words_missing,
    _sizes,
    _doubles,
)
