"""What a home is made of, as data: kinds of room, the views wanted of each, and what to make ready.

Counts, heights, focal lengths and brackets are common practice without a standard (two views of living
room, kitchen and main bedroom, one of a small room; camera level at chest height, a little higher in a
kitchen; f/6.3 to f/8; three or five frames two stops apart). They are proposals: on site everything can be
waived, added to or shot otherwise.

`image_of` is the value for `ImageOf` in the RESO Data Dictionary 2.0; it is used when a set is exported and
nowhere else. The words on the pages are our own.
"""

from __future__ import annotations

from dataclasses import dataclass

PLAIN_BRACKET = "3 frames, 2 stops apart"
WINDOW_BRACKET = "5 frames, 2 stops apart"

CODES_FIRST = "Usual cautions; local codes and licensed practice come first."


@dataclass(frozen=True)
class View:
    """A wanted view: where from, how, and what to mind."""

    text: str
    is_required: bool = True
    focal_mm: int = 24
    height_m: str = "1.30"
    f_number: str = "6.3"
    bracket: str = WINDOW_BRACKET
    hint: str = ""
    caution: str = ""


@dataclass(frozen=True)
class RoomKind:
    """A kind of room: our word, the export value, its views and its preparation."""

    label: str
    image_of: str
    views: tuple[View, ...]
    preparation: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    is_outside: bool = False

    @property
    def ticks(self) -> tuple[str, ...]:
        """What to make ready in such a room, the general things first."""
        return (*(OUTSIDE_TICKS if self.is_outside else INSIDE_TICKS), *self.preparation)


INSIDE_TICKS = (
    "Every light on",
    "Bulbs alike, none dead or flickering",
    "Blinds and curtains alike",
    "Clutter out of the frame",
    "Photos, post, medicine, keys and papers out of sight",
    "Screens off",
    "Doors and drawers closed",
)
OUTSIDE_TICKS = (
    "Bins and hoses out of the frame",
    "Cars and number plates out of the frame",
    "Windows and front door closed",
    "Outside lights as wanted",
)

STAND = "Sandbag the stand; none over a bed or where children play."
CABLE = "Tape cables down or run them along the wall, never across a doorway."
WET = "Battery lights only, no wet hands, nothing on the mains."
STEPS = "No stand and no cable on the stairs; nobody walks up behind you while you look through the camera."
LADDER = "A ladder only on dry, level, firm ground with someone holding it."
HOT = "Keep lamps clear of curtains; gels only in their holder, never on the glass; let hot lamps cool."
TRAFFIC = "Look for traffic before you step back; nobody photographs from the road alone."

_MIRROR = "Look for yourself and the stand in the mirror."
_STRETCH = "At 20 mm round things near the edge look a third too wide: keep them inside."

ROOM_KINDS: dict[str, RoomKind] = {
    "front": RoomKind(
        "Front",
        "Front of Structure",
        (
            View(
                "straight on",
                height_m="1.60",
                f_number="8.0",
                bracket=PLAIN_BRACKET,
                hint="The listing's first picture: nothing on it but the home.",
                caution=TRAFFIC,
            ),
            View("at an angle, with the way in", height_m="1.60", f_number="8.0", bracket=PLAIN_BRACKET),
            View("the front door", False, 35, "1.50", "8.0", PLAIN_BRACKET),
        ),
        cautions=(TRAFFIC, LADDER),
        is_outside=True,
    ),
    "hall": RoomKind(
        "Hall",
        "Entry",
        (
            View("from the front door", bracket=PLAIN_BRACKET, hint="Show where the doors lead."),
            View("towards the front door", False),
        ),
        ("Coats and shoes away",),
        (CABLE,),
    ),
    "living": RoomKind(
        "Living room",
        "Living Room",
        (
            View("from the doorway", hint="Level first; the whole room, the window in the frame."),
            View("from the opposite corner", hint="Show the way in and the room beyond."),
            View("towards the window", False, 28),
        ),
        ("Ceiling fan off", "Cushions and throws straight"),
        (STAND, CABLE, HOT),
    ),
    "family": RoomKind(
        "Family room",
        "Family Room",
        (View("from the doorway"), View("from the opposite corner", False)),
        ("Ceiling fan off", "Toys away"),
        (STAND, CABLE),
    ),
    "kitchen": RoomKind(
        "Kitchen",
        "Kitchen",
        (
            View(
                "from the doorway", height_m="1.40", hint="A little above the worktop, so its surface shows."
            ),
            View("along the worktop", height_m="1.40"),
            View("towards the window", False, 28, "1.40"),
        ),
        (
            "Worktops clear",
            "Cloths, magnets and notes away",
            "Bin out of the frame",
            "Lights under cabinets on",
        ),
        (CABLE, "Nothing on or near the hob; no stand within reach of water."),
    ),
    "dining": RoomKind(
        "Dining room",
        "Dining Room",
        (View("from the doorway"), View("along the table", False, 28)),
        ("Chairs straight", "Table clear or laid"),
        (CABLE,),
    ),
    "stairs": RoomKind(
        "Stairs",
        "Stairs",
        (View("from below", False, 24, "1.20", bracket=PLAIN_BRACKET, caution=STEPS),),
        ("Nothing standing on the steps",),
        (STEPS,),
    ),
    "landing": RoomKind(
        "Landing",
        "Hallway",
        (View("along the landing", False, bracket=PLAIN_BRACKET),),
        (),
        (STEPS,),
    ),
    "main_bedroom": RoomKind(
        "Main bedroom",
        "Master Bedroom",
        (
            View("from the doorway", height_m="1.20"),
            View("from the opposite corner", height_m="1.20"),
        ),
        ("Bed made, nothing under it in sight", "Ceiling fan off", "Wardrobe closed"),
        (STAND, CABLE),
    ),
    "bedroom": RoomKind(
        "Bedroom",
        "Bedroom",
        (View("from the doorway", height_m="1.20"), View("towards the window", False, 24, "1.20")),
        ("Bed made, nothing under it in sight", "Names on walls out of the frame"),
        (STAND,),
    ),
    "main_bathroom": RoomKind(
        "Main bathroom",
        "Master Bathroom",
        (
            View("from the doorway", focal_mm=20, hint=_STRETCH, caution=_MIRROR),
            View("towards the basin", False, 24, caution=_MIRROR),
        ),
        ("Lid down", "Towels straight or away", "Bottles and brushes away", "Mats away", "Fan off"),
        (WET, _MIRROR),
    ),
    "bathroom": RoomKind(
        "Bathroom",
        "Bathroom",
        (View("from the doorway", focal_mm=20, hint=_STRETCH, caution=_MIRROR),),
        ("Lid down", "Towels straight or away", "Bottles and brushes away", "Mats away", "Fan off"),
        (WET, _MIRROR),
    ),
    "toilet": RoomKind(
        "Toilet",
        "Bathroom",
        (View("from the doorway", False, 20, caution=_MIRROR),),
        ("Lid down", "Brush away"),
        (WET,),
    ),
    "one_room": RoomKind(
        "Main room",
        "Studio",
        (
            View("from the doorway"),
            View("from the opposite corner"),
            View("the sleeping place", height_m="1.20"),
            View("towards the window", False, 28),
        ),
        ("Bed made or folded away", "Cushions and throws straight"),
        (STAND, CABLE, HOT),
    ),
    "laundry": RoomKind(
        "Utility room",
        "Laundry",
        (View("from the doorway", False, 20, hint=_STRETCH),),
        ("Washing away", "Machines closed"),
        (WET,),
    ),
    "study": RoomKind(
        "Study",
        "Study",
        (View("from the doorway"),),
        ("Desk clear, cables tidy",),
        (CABLE,),
    ),
    "basement": RoomKind(
        "Cellar", "Basement", (View("from the stairs", bracket=PLAIN_BRACKET),), (), (STEPS,)
    ),
    "attic": RoomKind("Attic", "Attic", (View("from the stairs", height_m="1.10"),), (), (STEPS,)),
    "garage": RoomKind("Garage", "Garage", (View("from the door", False, bracket=PLAIN_BRACKET),)),
    "balcony": RoomKind(
        "Balcony",
        "Balcony",
        (
            View(
                "from the door",
                False,
                f_number="8.0",
                caution="Stay inside the railing; nothing on or over it.",
            ),
        ),
        ("Washing away", "Chairs straight"),
        ("Stay inside the railing; nothing on or over it.",),
        is_outside=True,
    ),
    "terrace": RoomKind(
        "Terrace",
        "Patio",
        (View("from the garden", height_m="1.50", f_number="8.0", bracket=PLAIN_BRACKET),),
        ("Furniture straight, covers off",),
        (LADDER,),
        is_outside=True,
    ),
    "back": RoomKind(
        "Back",
        "Back of Structure",
        (
            View("straight on", height_m="1.60", f_number="8.0", bracket=PLAIN_BRACKET),
            View("at an angle, with the garden", False, 24, "1.60", "8.0", PLAIN_BRACKET),
        ),
        ("Washing line down",),
        (LADDER,),
        is_outside=True,
    ),
    "garden": RoomKind(
        "Garden",
        "Garden",
        (
            View("from the house", height_m="1.60", f_number="8.0", bracket=PLAIN_BRACKET),
            View("from the far end", False, 24, "1.60", "8.0", PLAIN_BRACKET),
        ),
        ("Toys and tools away",),
        (LADDER,),
        is_outside=True,
    ),
    "view": RoomKind(
        "View",
        "View",
        (View("as it is seen from the home", False, 35, "1.60", "8.0", PLAIN_BRACKET),),
        is_outside=True,
    ),
    "other": RoomKind("Other room", "Other", (View("from the doorway"),), (), (CABLE,)),
}

# The order of the walk, which is also the order in which a set is proposed.
WALK = (
    *("front", "hall", "living", "one_room", "family", "kitchen", "dining", "study", "toilet"),
    *("stairs", "landing", "main_bedroom", "main_bathroom", "bedroom", "bathroom"),
    *("attic", "laundry", "basement", "garage", "other", "balcony", "terrace", "back", "garden", "view"),
)
