"""Rows that are written once: issued documents, payments, the record of who did what."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db import models

from studio.errors import Frozen


class FrozenQuerySet(models.QuerySet[Any]):
    """Rows of one frozen model: only what its `changeable` names may be updated, nothing may be deleted."""

    def update(self, **changes: Any) -> int:
        fixed = sorted(set(changes) - self.model.changeable)
        if fixed:
            raise Frozen(f"{self.model._meta.verbose_name_plural}: {', '.join(fixed)} can't be changed")
        return super().update(**changes)

    def delete(self) -> tuple[int, dict[str, int]]:
        raise Frozen(f"{self.model._meta.verbose_name_plural} can't be deleted")


class FrozenModel(models.Model):
    """A row that is written once. A mistake is put right by another row, never by an edit."""

    changeable: ClassVar[frozenset[str]] = frozenset()

    objects: ClassVar[models.Manager[Any]] = FrozenQuerySet.as_manager()

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        if not self._state.adding and not set(kwargs.get("update_fields") or ["all"]) <= self.changeable:
            raise Frozen(f"{self._meta.verbose_name} {self} can't be changed: it was issued as it stands")
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        raise Frozen(f"{self._meta.verbose_name} {self} can't be deleted")
