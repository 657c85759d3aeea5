"""What a photo may claim about itself before anything is decoded."""

from __future__ import annotations

from fragarea.errors import UnreadablePhoto

MAX_PIXELS = 250_000_000
"""The largest photo read."""

MAX_DECODED_BYTES = 3 * MAX_PIXELS
"""The same limit where a pixel takes more than three bytes (16 bit, transparency)."""

MAX_PROGRESSIVE_PIXELS = 80_000_000
"""A progressive JPEG is held twice while it is decoded, as coefficients and as pixels."""

LARGE_PIXELS = 50_000_000
"""Above this, a file must hold enough bytes to be a photo of that size."""

MIN_BITS_PER_PIXEL = 0.05
"""A tenth of what the strongest usual JPEG compression leaves; from memory."""

_RETAKE = "Give the photo as the camera wrote it"


def check_claimed_size(
    name: str, width_px: int, height_px: int, *, file_bytes: int, bytes_per_pixel: int = 3, progressive: bool = False
) -> None:
    """Refuse a header that claims no pixels, too many, or more than the file can hold.

    Parameters
    ----------
    name : str
        Photo name for the error.
    width_px, height_px : int
        As the header says.
    file_bytes : int
        Length of the whole file.
    bytes_per_pixel : int
        Of the decoded image.
    progressive : bool
        Whether the decoder must hold the whole photo as coefficients too.

    Raises
    ------
    UnreadablePhoto
    """
    pixels = width_px * height_px
    size = f"{width_px} x {height_px} pixels ({pixels / 1e6:.0f} megapixels)"
    if width_px <= 0 or height_px <= 0:
        raise UnreadablePhoto(name, f"its header claims {width_px} x {height_px} pixels", _RETAKE)
    if pixels > MAX_PIXELS:
        limit = f"the limit is {MAX_PIXELS / 1e6:.0f} megapixels"
        raise UnreadablePhoto(name, f"its header claims {size}; {limit}", f"{_RETAKE}, or a smaller version of it")
    if pixels * bytes_per_pixel > MAX_DECODED_BYTES or (progressive and pixels > MAX_PROGRESSIVE_PIXELS):
        cause = f"its header claims {size}, too many for this kind of file"
        raise UnreadablePhoto(name, cause, "Save it as an ordinary JPEG with 8 bits per channel")
    if pixels > LARGE_PIXELS and file_bytes * 8 < pixels * MIN_BITS_PER_PIXEL:
        cause = f"its header claims {size}, but the file holds only {file_bytes / 1e6:.2f} MB"
        raise UnreadablePhoto(name, cause, _RETAKE)
