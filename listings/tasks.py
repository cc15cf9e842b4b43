"""What workers do. Every task carries the id of its row, works under a claim and is safe to run again."""

from __future__ import annotations

from celery import shared_task

from listings import cards, copies, correcting


@shared_task(name="listings.copy_folder", ignore_result=True)
def copy_folder(pk: int) -> None:
    cards.copy_folder(pk)


@shared_task(name="listings.read_frame", ignore_result=True)
def read_frame(pk: int) -> None:
    correcting.read_frame(pk)


@shared_task(name="listings.settle_visit", ignore_result=True)
def settle_visit(pk: int) -> None:
    correcting.settle_visit(pk)


@shared_task(name="listings.analyse_picture", ignore_result=True)
def analyse_picture(pk: int) -> None:
    correcting.analyse_picture(pk)


@shared_task(name="listings.make_picture", ignore_result=True)
def make_picture(pk: int) -> None:
    correcting.make_picture(pk)


@shared_task(name="listings.make_copy", ignore_result=True)
def make_copy(pk: int) -> None:
    copies.make_copy(pk)
