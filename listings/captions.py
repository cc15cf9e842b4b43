"""Words for a picture, proposed from its room and its wanted view: nothing that isn't on the shot list.

A proposal never describes what the picture shows beyond that; a person adds what they see.
"""

from __future__ import annotations

from listings.models import Picture
from listings.room_kinds import ROOM_KINDS

CAPTION_CHARS = 240
ALT_CHARS = 400


def caption(picture: Picture) -> str:
    """Return the line under the picture, or nothing when the room isn't known."""
    if picture.room is None:
        return ""
    words = picture.room.name
    if picture.shot is not None:
        words = f"{words}, {picture.shot.view}"
    return words[:CAPTION_CHARS]


def alt_text(picture: Picture) -> str:
    """Return what someone hears who can't see the picture, or nothing when the room isn't known."""
    if picture.room is None:
        return ""
    kind = ROOM_KINDS.get(picture.room.kind)
    name = _in_a_sentence(picture.room.name)
    room = name if name[-1:].isdigit() else f"the {name}"
    if kind is not None and kind.is_outside:
        words = f"Outside view: {name}"
    else:
        words = f"View of {room}"
    if picture.shot is not None:
        words = f"{words}, {picture.shot.view}"
    return f"{words}."[:ALT_CHARS]


def image_of(picture: Picture) -> str:
    """Return the value for ImageOf in the RESO Data Dictionary."""
    kind = ROOM_KINDS.get(picture.room.kind) if picture.room else None
    return kind.image_of if kind else "Other"


def _in_a_sentence(name: str) -> str:
    """Lower the first letter unless the word is a name or all capitals."""
    first = name.split(" ")[0]
    return name if first.isupper() or not first[:1].isupper() else name[:1].lower() + name[1:]
