"""Where fragments sit: the plugs of a tray, pad or single plug, and one rectified window for each.

``windows``   rectified windows of a photo: `cut_windows`
``overview``  a small rectified picture of where plugs may stand
``discs``     discs of the plug's radius in it
``rims``      their rims to a fraction of a pixel, straight from the photo
``heights``   how far plug tops lie above or below the reference, by the size of their rims
``scene``     one photo while plugs are looked for
``grid``      rows and columns, ``tray`` the plugs on them
``pads``      described places laid over the plugs found
``single``    the one plug beside a card
``finding``   all of it: `find_plugs`
"""

from fragarea.sites.finding import find_plugs
from fragarea.sites.records import PlugRim, PlugSighting, SiteDescription, SiteKind, SiteView, Window
from fragarea.sites.windows import cut_windows, default_mm_per_px, rim_at_height

__all__ = [
    "PlugRim",
    "PlugSighting",
    "SiteDescription",
    "SiteKind",
    "SiteView",
    "Window",
    "cut_windows",
    "default_mm_per_px",
    "find_plugs",
    "rim_at_height",
]
