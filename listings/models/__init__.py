"""What is shown of a home."""

from .deliveries import ChangeRequest, Delivery, DeliveryItem, Download, GalleryLink, Purpose
from .frames import FolderIntake, Frame, Upload
from .pictures import Alteration, Correction, Picture, PictureCopy, PictureFrame, VisitWork
from .shots import Operation, PreparationTick, Room, Shot, VisitNote

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
    "Picture",
    "PictureCopy",
    "PictureFrame",
    "PreparationTick",
    "Purpose",
    "Room",
    "Shot",
    "Upload",
    "VisitNote",
    "VisitWork",
]
