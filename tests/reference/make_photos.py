"""Makes fixtures/photos/with-position.jpg: a drawing, and all that a phone's camera adds to a picture.

    pip install pillow==13.0.0
    python3 tests/reference/make_photos.py

The position, the maker and the words in it are invented.
"""

import io
import pathlib

from PIL import Image, ImageCms, ImageDraw
from PIL.TiffImagePlugin import IFDRational

FOLDER = pathlib.Path(__file__).resolve().parents[2] / "fixtures" / "photos"


def drawing():
    """A head in its sleeve, on its side as a phone keeps it: 64 x 48, to be turned by 90 degrees."""
    upright = Image.new("RGB", (48, 64), (86, 125, 70))
    draw = ImageDraw.Draw(upright)
    draw.ellipse((8, 40, 40, 60), fill=(60, 60, 60))
    draw.rectangle((19, 14, 29, 50), fill=(25, 25, 25))
    draw.polygon([(24, 16), (2, 2), (46, 2)], fill=(170, 200, 225))
    return upright.transpose(Image.Transpose.ROTATE_90)


def exif():
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[0x010F] = "PhoneCam"
    exif[0x0132] = "2026:07:14 08:10:00"
    degrees = lambda d, m, s: (IFDRational(d), IFDRational(m), IFDRational(s))
    gps = exif.get_ifd(0x8825)
    gps.update({1: "N", 2: degrees(44, 12, 31), 3: "W", 4: degrees(93, 4, 17), 29: "2026:07:14", 27: b"ASCII\0\0\0GPS"})
    return exif


def segment(marker, holds):
    return bytes([0xFF, marker]) + (len(holds) + 2).to_bytes(2, "big") + holds


def main():
    made = io.BytesIO()
    drawing().save(made, "JPEG", quality=70, exif=exif(), comment=b"gate code 4711",
                   icc_profile=ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    file = made.getvalue()
    xmp = b'http://ns.adobe.com/xap/1.0/\0<x:xmpmeta xmlns:x="adobe:ns:meta/" GPSLatitude="44,12.5N"/>'
    # As phones do: more segments at the front, a second picture behind the end.
    file = file[:2] + segment(0xE1, xmp) + file[2:] + file
    FOLDER.mkdir(parents=True, exist_ok=True)
    (FOLDER / "with-position.jpg").write_bytes(file)


main()
