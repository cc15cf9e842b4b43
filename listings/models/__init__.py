"""What is shown of a home."""

from .deliveries import (
    ChangeRequest,
    Delivery,
    DeliveryItem,
    Download,
    GalleryLink,
    PassphraseTry,
    Purpose,
)
from .frames import FolderIntake, Frame, Upload
from .pictures import Alteration, Correction, Picture, PictureCopy, PictureFrame, VisitWork
from .shots import Operation, PreparationTick, Room, Shot, ShotList, VisitNote

__all__ = [
    "Alteration",
    "ChangeRequest",
    "Correction",
    "Delivery",
    "DeliveryItem",
    "Download",
    "FolderIntake",
    "Frame",
    "GalleryLink",
    "Operation",
    "PassphraseTry",
    "Picture",
    "PictureCopy",
    "PictureFrame",
    "PreparationTick",
    "Purpose",
    "Room",
    "Shot",
    "ShotList",
    "Upload",
    "VisitNote",
    "VisitWork",
]
