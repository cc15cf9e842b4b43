"""`manage.py intake FOLDER --visit ID`: copy a card or folder in, every file read back."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db.models import Q
from django.utils import timezone

from listings import cards, claims
from listings.errors import ListingsError
from listings.models import FolderIntake, Upload
from listings.queueing import WORK
from studio.models import Booking


class Command(BaseCommand):
    help = "Copy a card or folder into a visit; every file is read back and compared."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("folder", type=Path)
        parser.add_argument("--visit", required=True, help="the booking: B0007, 7, or its long identifier")

    def handle(self, *args: Any, folder: Path, visit: str, **options: Any) -> None:
        booking, now = find_booking(visit), timezone.now()
        if not folder.is_dir():
            raise CommandError(f"{folder} is not a folder that can be read.")
        row = FolderIntake.objects.create(booking=booking, folder=str(folder.resolve()), started_at=now)
        state = FolderIntake.State
        claim = claims.take(WORK["copy_folder"](now), row.pk, now=now, state=state.COPYING)
        assert claim is not None
        try:
            cards.copy(row, renew=claim.renew, tell=self._tell)
        except (ListingsError, KeyboardInterrupt) as error:
            reason = str(error) or "Stopped at the keyboard."
            claim.end(state=state.FAILED, reason=reason[:300], ended_at=timezone.now())
            raise CommandError(
                f"{reason} {cards.summary(row).sentence} Run the same command again."
            ) from error
        claim.end(state=state.DONE, ended_at=timezone.now(), attempts=0)
        self._sum_up(cards.summary(row))

    def _tell(self, upload: Upload) -> None:
        words = {Upload.State.STORED: "stored and verified", Upload.State.KNOWN: "stored before"}
        self.stdout.write(f"{upload.name}: {words.get(Upload.State(upload.state), upload.reason)}")

    def _sum_up(self, summary: cards.Summary) -> None:
        if summary.left:
            names = ", ".join(upload.name for upload in summary.left)
            self.stdout.write(f"Left on the card, no pictures: {names}")
        self.stdout.write(summary.sentence)
        if not summary.is_complete:
            lines = [f"{upload.name}: {upload.reason}" for upload in summary.refused]
            raise CommandError("\n".join(["Not stored:", *lines]) if lines else "Nothing was stored.")


def find_booking(text: str) -> Booking:
    """Return the booking that a person means."""
    number = text[1:] if text[:1] in "Bb" else text
    wanted = Q(pk=int(number)) if number.isdigit() else Q(public_id=_uuid(text))
    if (booking := Booking.objects.filter(wanted).first()) is None:
        raise CommandError(f"There is no booking {text}.")
    return booking


def _uuid(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError as error:
        raise CommandError(f"--visit: need B0007, 7 or a long identifier, got {text!r}") from error
