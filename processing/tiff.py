"""16-bit RGB TIFF with profile, EXIF and XMP. Pillow writes RGB only in 8 bit, OpenCV no metadata.

Source: TIFF 6.0 (Adobe, 1992), supplement 2 (deflate); directories are serialised by Pillow.
"""

import zlib

import numpy as np
from PIL import Image, TiffImagePlugin

ROWS_PER_STRIP = 64
EXIF_IFD, XMP, ICC = 0x8769, 0x02BC, 0x8773
SHORT, LONG, UNDEFINED, BYTE = 3, 4, 7, 1


def write_rgb16(rgb_u16: np.ndarray, *, exif: Image.Exif, icc: bytes, xmp: bytes, dpi: int) -> bytes:
    """The bytes of a little-endian TIFF: horizontal differencing, deflate, strips of 64 rows.

    Parameters
    ----------
    rgb_u16 : (H, W, 3) uint16
        Encoded values, stored as they are.
    """
    height, width = rgb_u16.shape[:2]
    strips = [_strip(rgb_u16[row : row + ROWS_PER_STRIP]) for row in range(0, height, ROWS_PER_STRIP)]
    offsets = tuple(int(n) for n in np.cumsum([0] + [len(strip) for strip in strips[:-1]]))
    directory = TiffImagePlugin.ImageFileDirectory_v2(prefix=b"II")
    for tag, value in exif.items():
        if tag != EXIF_IFD:
            directory[tag] = value
    directory[EXIF_IFD] = dict(exif.get_ifd(EXIF_IFD))
    fixed = {
        256: (width, LONG),
        257: (height, LONG),
        258: ((16, 16, 16), SHORT),
        259: (8, SHORT),  # deflate
        262: (2, SHORT),  # RGB
        277: (3, SHORT),
        278: (ROWS_PER_STRIP, LONG),
        279: (tuple(len(strip) for strip in strips), LONG),
        284: (1, SHORT),
        317: (2, SHORT),  # horizontal differencing
        273: (offsets, LONG),  # from the end of the directory; Pillow adds its length
        XMP: (xmp, BYTE),
        ICC: (icc, UNDEFINED),
    }
    for tag, (value, kind) in fixed.items():
        directory.tagtype[tag] = kind
        directory[tag] = value
    directory[282] = directory[283] = float(dpi)
    return b"II*\x00\x08\x00\x00\x00" + directory.tobytes(8) + b"".join(strips)


def _strip(rows: np.ndarray) -> bytes:
    differences = np.ascontiguousarray(rows, "<u2").copy()
    differences[:, 1:] -= rows[:, :-1].astype("<u2")  # wraps around, as the predictor wants
    return zlib.compress(differences.tobytes(), 5)
