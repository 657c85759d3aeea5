"""An area with its uncertainty budget."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class BudgetTerm:
    """One line of an uncertainty budget (JCGM 100:2008, 5.1).

    Attributes
    ----------
    name : str
        ``"scale"``, ``"print"``, ``"lens"``, ``"height"`` (of the plug tops and of the camera), ``"edge height"``
        (of this fragment's own edge above its plug) or ``"outline"``.
    u_mm2 : float
        Standard uncertainty that it contributes to the area: |sensitivity| times standard uncertainty of the input.
    shared : bool
        True when every fragment of the photo shares this error (same print, same pose).
    """

    name: str
    u_mm2: float
    shared: bool


@dataclass(frozen=True)
class AreaEstimate:
    """Planar area on the plane of the tissue edge.

    Attributes
    ----------
    area_mm2 : float
    area_u_mm2 : float
        Combined standard uncertainty.
    expanded_mm2 : float
        Expanded uncertainty at 95 %, coverage factor 1.96.
    terms : tuple of BudgetTerm
    """

    area_mm2: float
    area_u_mm2: float
    expanded_mm2: float
    terms: tuple[BudgetTerm, ...]
