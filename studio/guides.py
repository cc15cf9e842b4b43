"""The owner's guide text: plain lines, '# ' begins a part, '- ' a thing to do."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class Part:
    """One part of the guide: a heading, words, and things to do."""

    heading: str = ""
    words: list[str] = field(default_factory=list)
    things: list[str] = field(default_factory=list)


def parts(text: str) -> list[Part]:
    """Split a guide into its parts; lines without a mark are words.

    Examples
    --------
    >>> [part] = parts("# Kitchen\\n- Clear the worktop.")
    >>> part.heading, part.things
    ('Kitchen', ['Clear the worktop.'])
    """
    found = [Part()]
    for line in (raw.strip() for raw in text.splitlines()):
        if line.startswith("#"):
            found.append(Part(heading=line.lstrip("# ")))
        elif line.startswith("- "):
            found[-1].things.append(line[2:].strip())
        elif line:
            found[-1].words.append(line)
    return [part for part in found if part.heading or part.words or part.things]
