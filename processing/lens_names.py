"""Lens names as cameras, tables and people spell them, taken apart into numbers and words that can be
compared.
"""

import re
from dataclasses import dataclass

NUMBER = r"\d+(?:[.,]\d+)?"
MAKERS = frozenset(
    [
        "canon",
        "nikon",
        "nikkor",
        "nikkorz",
        "sony",
        "sigma",
        "tamron",
        "tokina",
        "fujifilm",
        "fujinon",
        "fuji",
        "olympus",
        "om",
        "panasonic",
        "lumix",
        "leica",
        "pentax",
        "ricoh",
        "zeiss",
        "carl",
        "samyang",
        "rokinon",
        "bower",
        "walimex",
        "minolta",
        "konica",
        "samsung",
        "voigtlander",
        "voigtländer",
        "cosina",
        "hasselblad",
        "schneider",
        "kreuznach",
        "laowa",
        "venus",
        "optics",
        "viltrox",
        "yongnuo",
        "meike",
        "irix",
        "rollei",
        "corporation",
        "imaging",
        "company",
        "camera",
        "ag",
        "co",
        "ltd",
        "inc",
        "system",
        "maxxum",
        "dynax",
    ]
)
# Words about glass, coatings, drives and build that one maker's tables carry and another's leave out
LOOSE = frozenset(
    [
        "af",
        "afs",
        "afi",
        "ze",
        "zf",
        "zk",
        "zs",
        "sd",
        "s",
        "zoom",
        "if",
        "ed",
        "asph",
        "aspherical",
        "asp",
        "df",
        "ld",
        "xr",
        "nano",
        "n",
        "lens",
        "digital",
        "zuiko",
        "mega",
        "super",
        "smc",
        "hd",
        "t",
        "mc",
        "vario",
        "elmar",
        "elmarit",
        "summilux",
        "summicron",
        "nokton",
        "power",
        "auto",
        "sp",
        "the",
        "edition",
        "new",
        "series",
        "for",
        "pro",
    ]
)
# Of each of these groups a name has one at most: two names with different ones are two lenses
EXCLUSIVE = (
    frozenset(["af", "afs", "afi", "ai"]),
    frozenset(["smc", "hd"]),
    frozenset(["ze", "zf", "zk", "zs"]),
)
CODES = re.compile(r"^(?:[abcfg]\d{2,3}[a-z]{0,3}|sal\w+|sel\w+|h-\w+|\d{2,4}[de]?)$")
JOINED = (
    (r"di\s*-?\s*iii", " di3 "),
    (r"di\s*-?\s*ii\b", " di2 "),
    (r"\bmark\s+(i{1,3}|iv|v)\b", r" \1 "),
    (r"\bmk\s*\.?\s*(i{1,3}|iv|v|\d)\b", r" \1 "),
    (r"\bef\s*-\s*(s|m)\b", r" ef\1 "),
    (r"\bef\s*-\s*(s|m)(?=\d)", r" ef\1 "),
    (r"\brf\s*-\s*s(?=\d|\b)", r" rfs "),
    (r"\bts\s*-\s*e(?=\d|\b)", " tse "),
    (r"\bmp\s*-\s*e(?=\d|\b)", " mpe "),
    (r"\baf\s*-\s*([spi])\b", r" af\1 "),
    (r"\baf\s*-\s*[df]\b", " af "),
    (r"\bsoft\s+focus\b", " soft "),
    (r"\bai\s*-\s*s\b", " ais "),
    (r"\bat\s*-\s*x\b", " atx "),
    (r"\bpc\s*-\s*e\b", " pce "),
    (r"\bfish\s*-?\s*eye\b", " fisheye "),
    (r"\bcircular\b(?!\s+fisheye)", " circular fisheye "),
    (r"\bpower\s+zoom\b", " pz "),
    (r"(?<=sigma)(.*)\brf\b", r"\1 "),
    (r"power\s*o\.?\s*i\.?\s*s", " ois "),
    (r"o\.\s*i\.\s*s\.?", " ois "),
    (r"mega\s*o\.?i\.?s\.?", " ois "),
    (r"\bt\s*\*", " "),
    (r"\bm\.\s*(?=zuiko|\d)", " mft "),
    (r"\blumix\s+g\b", " lumix mft "),
    (r"\(.*?compat.*?\)", " "),
    (r"(?<=sigma)(.*)\ba0(?=\d\d)", r"\1 art 0"),
    (r"(?:\|\s*|\[\s*)a\b\]?", " art "),
    (r"(?:\|\s*|\[\s*)c\b\]?", " contemporary "),
    (r"(?:\|\s*|\[\s*)s\b\]?", " sports "),
    (r"\bcontemporary\s+c\b", " contemporary "),
    (r"\bsport\b", " sports "),
    (r"\bmacro\s*1:\d\b|\b1:\d\s+macro\b", " macro "),
    (r"\byn\s*(?=\d)", " yn "),
    (r"\bzf\.2\b", " zf "),
)


@dataclass(frozen=True)
class LensName:
    """Numbers and words of a lens name. Missing numbers are 0; `tele_aperture` is 0 when only one is
    named.
    """

    low_mm: float
    high_mm: float
    aperture: float
    tele_aperture: float
    words: frozenset[str]  # must agree
    loose: frozenset[str]  # may differ
    codes: frozenset[str]
    makers: frozenset[str]

    @property
    def says_enough(self) -> bool:
        """A focal length and an aperture, and at least one word or maker beside them."""
        return self.low_mm > 0 and self.aperture > 0 and bool(self.words or self.makers or self.codes)


def parse(name: str) -> LensName:
    """Take a lens name apart.

    Examples
    --------
    >>> n = parse("EF-S10-22mm f/3.5-4.5 USM")
    >>> (n.low_mm, n.high_mm, n.aperture, n.tele_aperture, sorted(n.words))
    (10.0, 22.0, 3.5, 4.5, ['efs', 'usm'])
    >>> parse("Carl Zeiss Distagon T* 2,8/21 ZE").low_mm
    21.0
    """
    text = " " + name.lower().replace("ƒ", "f").replace("–", "-").replace("—", "-").replace("®", "") + " "
    for pattern, replacement in JOINED:
        text = re.sub(pattern, replacement, text)
    text, low, high, wide, tele = _numbers(text)
    words: set[str] = set()
    loose: set[str] = set()
    codes: set[str] = set()
    makers: set[str] = set()
    for word in re.findall(r"[^\W_]+(?:-\w+)?", text.replace("&", " ")):
        for part in [word] if CODES.match(word) else word.split("-"):
            kind = (
                codes
                if CODES.match(part)
                else makers
                if part in MAKERS
                else loose
                if part in LOOSE
                else words
            )
            kind.add(part)
    if words & {"mft", "nx"} or ("dg" in words and "leica" in makers):
        words -= {"ois", "x"}  # some tables carry these, the makers' files and other tables do not
    for maker_word, telling in (("atx", "pro"), ("yn", "n")):  # loose elsewhere, another lens here
        if maker_word in words and telling in loose:
            words.add(telling)
    return LensName(low, high, wide, tele, *(frozenset(v) for v in (words, loose, codes, makers)))


def _numbers(text: str) -> tuple[str, float, float, float, float]:
    """Cut focal lengths and apertures out of the text."""
    low = high = wide = tele = 0.0
    old = re.search(
        rf"(?<![\d.,-])(?:1:)?({NUMBER})(?:-({NUMBER}))?/({NUMBER})(?:-({NUMBER}))?(?:\s*mm)?(?![\d/.])", text
    )
    if old and float(old.group(3).replace(",", ".")) >= 7 and "f/" not in text:
        wide, tele = _pair(old.group(1), old.group(2))
        low, high = _pair(old.group(3), old.group(4))
        return text[: old.start()] + " " + text[old.end() :], low, high or low, wide, tele
    aperture = re.search(
        rf"(?:\bf\s*/?\s*|(?<=[\s\d/m])f\s*/?\s*|1:\s*)({NUMBER})(?:\s*-\s*(?:f/?)?({NUMBER}))?", text
    )
    if aperture:
        wide, tele = _pair(aperture.group(1), aperture.group(2))
        text = text[: aperture.start()] + " " + text[aperture.end() :]
        text = re.sub(rf"\bf\s*/?\s*{re.escape(aperture.group(1))}(?![\d.,])", " ", text)  # named twice
    focal = re.search(rf"({NUMBER})\s*(?:mm)?\s*(?:-\s*({NUMBER}))?\s*mm", text) or re.search(
        rf"(?<![\w.])({NUMBER})(?:\s*-\s*({NUMBER}))?(?![\w.])", text
    )
    if focal:
        low, high = _pair(focal.group(1), focal.group(2))
        text = text[: focal.start()] + " " + text[focal.end() :]
    return text, low, high or low, wide, tele


def _pair(first: str, second: str | None) -> tuple[float, float]:
    return float(first.replace(",", ".")), float(second.replace(",", ".")) if second else 0.0


def same_numbers(a: LensName, b: LensName) -> bool:
    """Do focal range and apertures agree? A missing tele aperture agrees with any."""
    close = abs(a.low_mm - b.low_mm) <= 0.02 * b.low_mm and abs(a.high_mm - b.high_mm) <= 0.02 * b.high_mm
    wide = abs(a.aperture - b.aperture) <= 0.06
    tele = not a.tele_aperture or not b.tele_aperture or abs(a.tele_aperture - b.tele_aperture) <= 0.11
    one_sided = bool(a.tele_aperture) != bool(b.tele_aperture)
    if one_sided and (a.tele_aperture or b.tele_aperture) - min(a.aperture, b.aperture) > 0.05:
        return False
    return close and wide and tele


def same_lens(a: LensName, b: LensName) -> bool:
    """Numbers and words agree, and neither codes, makers nor exclusive words contradict each other."""
    if not same_numbers(a, b) or not _same_words(a.words, b.words):
        return False
    if a.codes and b.codes and not a.codes & b.codes:
        return False
    if any(a.loose & g and b.loose & g and not a.loose & b.loose & g for g in EXCLUSIVE):
        return False
    if not (a.words | b.words) - MOUNTS and models(a) != models(b):
        return False
    return not (a.makers and b.makers and not _kin(a.makers) & _kin(b.makers))


MOUNTS = frozenset(["e", "fe"])
MODEL = re.compile(r"^[abcfg]\d{3}[a-z]?$")


def models(name: LensName) -> set[str]:
    """Model numbers: all that tells generations apart in names that are only a mount and numbers."""
    return {code for code in name.codes if MODEL.match(code)}


def _same_words(a: frozenset[str], b: frozenset[str]) -> bool:
    """Equal, or one leaves out the line's name "art": the older lenses of these numbers are called "ex"."""
    return a == b or (a ^ b == {"art"} and "ex" not in a and bool(a & {"dg", "dc", "dn"}))


FAMILIES = (
    {"nikon", "nikkor"},
    {"minolta", "konica"},
    {"zeiss", "carl"},
    {"fujifilm", "fujinon", "fuji"},
    {"panasonic", "lumix", "leica"},
    {"olympus", "om"},
    {"pentax", "ricoh"},
    {"samyang", "rokinon", "bower", "walimex"},
    {"laowa", "venus"},
    {"voigtlander", "voigtländer", "cosina"},
)


def _kin(makers: frozenset[str]) -> set[int | str]:
    """Makers as families: names under which one firm's lenses are sold."""
    return {next((i for i, f in enumerate(FAMILIES) if m in f), m) for m in makers}


def likeness(a: LensName, b: LensName) -> float:
    """Share of loose words and codes in common, and one for equal words, to choose between equals."""
    mine, theirs = a.loose | a.codes | a.makers, b.loose | b.codes | b.makers
    return len(mine & theirs) / max(len(mine | theirs), 1) + float(a.words == b.words)
