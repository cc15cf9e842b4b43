"""The owner's back room for the listings: purposes to edit, everything that was made or sent to look at."""

from __future__ import annotations

from django.contrib import admin

from listings import models
from studio.admin import OwnersAdmin, ReadOnlyAdmin


@admin.register(models.Purpose)
class PurposeAdmin(OwnersAdmin):
    list_display = ("name", "long_edge_px", "max_megabytes", "quality", "dpi", "is_offered", "position")
    prepopulated_fields = {"slug": ("name",)}


@admin.register(models.Room)
class RoomAdmin(OwnersAdmin):
    list_display = ("name", "kind", "booking", "position")
    raw_id_fields = ("booking",)


@admin.register(models.Shot)
class ShotAdmin(OwnersAdmin):
    list_display = ("view", "room", "is_required", "taken_at", "waived_reason")
    raw_id_fields = ("room", "taken_by")


@admin.register(models.Delivery)
class DeliveryAdmin(ReadOnlyAdmin):
    list_display = ("booking", "state", "created_at", "sent_at", "sent_by")
    list_filter = ("state",)


@admin.register(models.GalleryLink)
class GalleryLinkAdmin(ReadOnlyAdmin):
    list_display = ("label", "email", "delivery", "created_at", "expires_at", "revoked_at", "last_opened_at")
    exclude = ("passphrase",)


@admin.register(models.Download)
class DownloadAdmin(ReadOnlyAdmin):
    list_display = ("at", "what", "purpose", "link")


@admin.register(models.ChangeRequest)
class ChangeRequestAdmin(ReadOnlyAdmin):
    list_display = ("asked_at", "item", "text", "answered_at")


@admin.register(models.Frame)
class FrameAdmin(ReadOnlyAdmin):
    list_display = ("name", "booking", "state", "size", "taken_at", "stored_at")
    list_filter = ("state",)
    exclude = ("thumbnail",)


@admin.register(models.Picture)
class PictureAdmin(ReadOnlyAdmin):
    list_display = ("pk", "booking", "room", "state", "kind", "made_at")
    list_filter = ("state",)


@admin.register(models.PictureCopy)
class PictureCopyAdmin(ReadOnlyAdmin):
    list_display = ("pk", "purpose", "state", "width", "height", "size", "made_at")
    list_filter = ("state", "purpose")


admin.site.register(
    [
        models.Alteration,
        models.Correction,
        models.DeliveryItem,
        models.FolderIntake,
        models.Operation,
        models.Upload,
        models.VisitNote,
    ],
    ReadOnlyAdmin,
)
