"""From stored frames to pictures: read, group, analyse, settle, make; each step a task that carries an id.

Every step claims its row, works, and writes once, guarded by the claim. What a file is to blame for is
written down with its reason and left alone; anything else is tried three times. Killed at any point, the
row stays and the sweep queues it again.
"""

from __future__ import annotations

import base64
import datetime as dt
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone

from listings import claims, grouping, intake, making, placing, storing
from listings.claims import Claim
from listings.errors import CannotMake, MakerLost
from listings.models import Correction, Frame, Picture, PictureFrame, VisitWork
from listings.queueing import WORK, queue
from listings.room_kinds import ROOM_KINDS
from studio.models import Booking, Business

PURPOSES = ("full", "preview", "thumbnail", "before")


def queue_visit(booking: Booking, *, now: dt.datetime) -> None:
    """Group and settle the visit's frames at once instead of a minute after the last one."""
    intake.due_now(booking, now=now)


# --- read ----------------------------------------------------------------------------------------------
def read_frame(pk: int) -> None:
    """Read a frame's facts and the small picture by which frames are grouped."""
    now = timezone.now()
    if (claim := claims.take(WORK["read_frame"](now), pk, now=now)) is None:
        return
    frame = Frame.objects.select_related("booking").get(pk=pk)
    try:
        with storing.local_copies(frame.file) as (path,):
            answer = making.run("read", renew=claim.renew, path=str(path))
    except CannotMake as error:
        claim.end(state=Frame.State.UNREADABLE, reason=_words(error))
    except MakerLost as error:
        again(claim, "read_frame", frame.attempts, error, state=Frame.State.UNREADABLE)
    else:
        facts = answer["facts"]
        claim.end(
            state=Frame.State.READ,
            facts=facts,
            thumbnail=base64.b64decode(answer["thumbnail"]),
            taken_at=moment(facts, Business.current().zone),
            attempts=0,
        )
    _go_on(frame.booking_id)


def moment(facts: dict[str, Any], zone: ZoneInfo) -> dt.datetime | None:
    """Return when the frame was taken; a clock without an offset is taken for the business's own."""
    try:
        naive = dt.datetime.fromisoformat(facts.get("taken_at") or "").replace(tzinfo=None)
    except ValueError:
        return None
    try:
        offset = dt.datetime.strptime(facts.get("utc_offset") or "", "%z").tzinfo
    except ValueError:
        offset = zone
    return naive.replace(tzinfo=offset)


def again(claim: Claim, task: str, attempts: int, error: Exception, **failed: Any) -> None:
    """Try a row again, or write down that it failed when it has been tried often enough."""
    if attempts < claims.MOST_ATTEMPTS:
        if claim.end():
            queue(task, claim.pk)
    else:
        claim.end(reason=f"Tried {attempts} times. {_words(error)}"[:300], **failed)


def _words(error: Exception) -> str:
    return str(error)[:300]


def _go_on(booking_id: int) -> None:
    """Settle the visit as soon as nothing is left to read or analyse and it is due."""
    now = timezone.now()
    if Frame.objects.filter(booking=booking_id, state=Frame.State.STORED).exists():
        return
    if WORK["analyse_picture"](now).filter(booking=booking_id).exists():
        return
    for work in WORK["settle_visit"](now).filter(claims.free(now), booking=booking_id):
        queue("settle_visit", work.pk)


# --- analyse --------------------------------------------------------------------------------------------
def analyse_picture(pk: int) -> None:
    """Find out what one picture says by itself."""
    now = timezone.now()
    if (claim := claims.take(WORK["analyse_picture"](now), pk, now=now)) is None:
        return
    picture = Picture.objects.get(pk=pk)
    try:
        answer = _with_frames("analyse", picture, claim)
    except CannotMake as error:
        claim.end(state=Picture.State.FAILED, reason=_words(error))
    except MakerLost as error:
        again(claim, "analyse_picture", picture.attempts, error, state=Picture.State.FAILED)
    else:
        claim.end(analysis=answer["analysis"], attempts=0)
    _go_on(picture.booking_id)


def _with_frames(kind: str, picture: Picture, claim: Claim, **job: Any) -> dict[str, Any]:
    """Run a job that needs the picture's frames as files."""
    rows = grouping.used_frames(picture)
    with storing.local_copies(*(row.frame.file for row in rows)) as paths:
        return making.run(
            kind,
            renew=claim.renew,
            paths=[str(path) for path in paths],
            kind_of_picture=picture.kind,
            reference=next((index for index, row in enumerate(rows) if row.is_reference), 0),
            flash=[index for index, row in enumerate(rows) if row.role == "flash"],
            **job,
        )


# --- settle ---------------------------------------------------------------------------------------------
def settle_visit(pk: int) -> None:
    """Group the visit's frames, and when all is analysed, write a plan for each picture that needs one."""
    now = timezone.now()
    if (claim := claims.take(WORK["settle_visit"](now), pk, now=now)) is None:
        return
    work = VisitWork.objects.select_related("booking").get(pk=pk)
    try:
        is_settled = _settle(work.booking, claim)
    except CannotMake as error:
        claim.end(due_at=None, reason=_words(error))
    except MakerLost as error:
        again(claim, "settle_visit", work.attempts, error, due_at=None)
    else:
        done = {"due_at": None, "settled_at": timezone.now(), "attempts": 0, "reason": ""}
        nothing_newer = Q(due_at=work.due_at)
        if not (is_settled and claim.end(nothing_newer, **done)):
            claim.end(attempts=0)
            _go_on(work.booking_id)


def _settle(booking: Booking, claim: Claim) -> bool:
    """Do what can be done now; False: something has to be read or analysed first."""
    pictures = Picture.objects.filter(booking=booking)
    is_reading = Frame.objects.filter(booking=booking, state=Frame.State.STORED).exists()
    if not is_reading:
        grouping.regroup(booking, renew=claim.renew)
        placing.place(booking)
    waiting = pictures.filter(analysis__isnull=True, state=Picture.State.WAITING)
    if unanalysed := list(waiting.values_list("pk", flat=True)):
        queue("analyse_picture", *unanalysed)
    is_whole = not is_reading and not unanalysed
    return _write_plans(booking, claim, only_wishes=not is_whole) and is_whole


def _write_plans(booking: Booking, claim: Claim, *, only_wishes: bool) -> bool:
    """Settle over all analysed pictures; those that are kept inform the others and stay as they are.

    False: some have to be analysed again first.
    """
    pictures = list(
        Picture.objects.filter(booking=booking, analysis__isnull=False)
        .select_related("room")
        .order_by("position", "pk")
    )
    kept = set(Picture.objects.filter(grouping.kept(), booking=booking).values_list("pk", flat=True))
    wanted = {picture.pk for picture in pictures if picture.pk in kept and not picture.plan_digest}
    others = {picture.pk: picture.plan_digest for picture in pictures if picture.pk not in kept}
    if not only_wishes and not all(others.values()):  # something is new: the set may decide otherwise
        wanted |= others.keys()
    if not wanted:
        return True
    names = _frame_names(booking)
    answer = making.run(
        "settle",
        renew=claim.renew,
        analyses=[picture.analysis for picture in pictures],
        wishes=[_wish(picture) for picture in pictures],
        fixed=[picture.pk not in wanted for picture in pictures],
        names=[names.get(picture.pk, []) for picture in pictures],
    )
    if old := [pictures[index].pk for index in answer["old"] if pictures[index].pk in wanted]:
        _look_again(old)
        return False
    for picture, plan in zip(pictures, answer["plans"], strict=True):
        if picture.pk in wanted:
            _take_plan(picture, plan, answer["method_version"])
    return True


def _wish(picture: Picture) -> dict[str, Any] | None:
    """What was wished of the picture, and whether its room is one under the open sky."""
    wish = dict(picture.wish or {})
    if picture.room and picture.room.kind in ROOM_KINDS:
        wish.setdefault("outside", ROOM_KINDS[picture.room.kind].is_outside)
    return wish or None


def _look_again(pks: list[int]) -> None:
    """Pictures that an earlier version of the program analysed, in a way that is no longer understood."""
    Picture.objects.filter(pk__in=pks).update(
        analysis=None, state=Picture.State.WAITING, attempts=0, claimed_until=None
    )
    queue("analyse_picture", *pks)


def _frame_names(booking: Booking) -> dict[int, list[str]]:
    rows = PictureFrame.objects.filter(picture__booking=booking).exclude(role="twin")
    names: dict[int, list[str]] = {}
    for picture_id, name in rows.order_by("position", "pk").values_list("picture", "frame__name"):
        names.setdefault(picture_id, []).append(name)
    return names


def _take_plan(picture: Picture, plan: dict[str, Any], method_version: str) -> None:
    """Write a new plan and have the picture made, unless it says what the old one said."""
    if picture.plan_digest == plan["digest"] and picture.state != Picture.State.WAITING:
        return
    changed = Picture.objects.filter(pk=picture.pk, plan_version=picture.plan_version).update(
        plan=plan["plan"],
        plan_digest=plan["digest"],
        method_version=method_version,
        state=Picture.State.WAITING,
        claimed_until=None,
        attempts=0,
        reason="",
    )
    if changed:
        queue("make_picture", picture.pk)


# --- make -----------------------------------------------------------------------------------------------
def make_picture(pk: int) -> None:
    """Carry out a picture's plan, unless that was done before."""
    now = timezone.now()
    rows: QuerySet[Picture] = WORK["make_picture"](now)
    if (claim := claims.take(rows, pk, now=now, state=Picture.State.BEING_MADE)) is None:
        return
    picture = Picture.objects.select_related("booking").get(pk=pk)
    if done := _made_before(picture):
        claim.end(state=Picture.State.MADE, correction=done, made_at=done.made_at, reason="", attempts=0)
        return
    try:
        with storing.work_folder() as folder:
            made = _with_frames(
                "make", picture, claim, plan=picture.plan, out_dir=str(folder), purposes=list(PURPOSES)
            )
            _keep(picture, made, claim)
    except CannotMake as error:
        claim.end(state=Picture.State.FAILED, reason=_words(error))
    except MakerLost as error:
        again(claim, "make_picture", picture.attempts, error, state=Picture.State.FAILED)
    except OSError as error:
        if not storing.is_full(error):
            raise
        lost = MakerLost("The disk of the studio's machine is full. Free some space, then try again.")
        again(claim, "make_picture", picture.attempts, lost, state=Picture.State.FAILED)


def _made_before(picture: Picture) -> Correction | None:
    frames = [row.frame for row in grouping.used_frames(picture)]
    found = Correction.objects.filter(
        picture=picture,
        frames_digest=grouping.frames_digest(frames),
        plan_digest=picture.plan_digest,
        method_version=picture.method_version,
    ).first()
    return found if found and storing.exists(found.file) else None


def _keep(picture: Picture, made: dict[str, Any], claim: Claim) -> None:
    """Move the files to their names, then write the rows, all or nothing, if the work is still ours."""
    frames = [row.frame for row in grouping.used_frames(picture)]
    digest = grouping.frames_digest(frames)
    sha256 = storing.hash_file(Path(made["files"]["full"]))
    folder = f"pictures/{picture.booking.public_id}/{picture.public_id}"
    stem = f"{picture.plan_digest[:20]}-{digest[:8]}-{made['method_version']}"
    names = {
        purpose: storing.put(Path(path), f"{folder}/{stem}-{purpose}{Path(path).suffix}")
        for purpose, path in made["files"].items()
    }
    report = made["report"]
    with transaction.atomic():
        correction, _ = Correction.objects.get_or_create(
            picture=picture,
            frames_digest=digest,
            plan_digest=picture.plan_digest,
            method_version=made["method_version"],
            defaults={
                "plan": picture.plan,
                "wish": picture.wish,
                "report": report,
                "needs_look": made["needs_look"],
                "file": names["full"],
                "preview": names.get("preview", ""),
                "thumbnail": names.get("thumbnail", ""),
                "before": names.get("before", ""),
                "width": report["width"],
                "height": report["height"],
                "sha256": sha256,
                "seconds": made["seconds"],
                "made_by": picture.wished_by,
                "made_at": timezone.now(),
            },
        )
        is_ours = claim.end(
            state=Picture.State.MADE,
            correction=correction,
            made_at=timezone.now(),
            reason="",
            attempts=0,
        )
        if not is_ours:
            transaction.set_rollback(True)


# --- try again ------------------------------------------------------------------------------------------
def try_again(pictures: QuerySet[Picture], *, now: dt.datetime) -> int:
    """Put failed pictures back into the work; return how many."""
    state = Picture.State
    failed = list(pictures.filter(state=state.FAILED).values("pk", "booking", "plan_digest"))
    pks = [row["pk"] for row in failed]
    Picture.objects.filter(pk__in=pks, state=state.FAILED).update(
        state=state.WAITING, reason="", attempts=0, claimed_until=None
    )
    if planned := [row["pk"] for row in failed if row["plan_digest"]]:
        queue("make_picture", *planned)
    for booking_id in {row["booking"] for row in failed if not row["plan_digest"]}:
        queue_visit(Booking.objects.get(pk=booking_id), now=now)
    return len(pks)


def try_frames_again(frames: QuerySet[Frame], *, now: dt.datetime) -> int:
    """Read frames again that could not be read."""
    pks = list(frames.filter(state=Frame.State.UNREADABLE).values_list("pk", flat=True))
    Frame.objects.filter(pk__in=pks).update(
        state=Frame.State.STORED, reason="", attempts=0, claimed_until=None
    )
    for booking in Booking.objects.filter(frames__in=pks).distinct():
        intake.due_later(booking, now=now)
    if pks:
        queue("read_frame", *pks)
    return len(pks)
