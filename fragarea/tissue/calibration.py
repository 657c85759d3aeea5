"""How a nursery's own corrected outlines shift what the model says."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class TissueCalibration:
    """Shifts of the model's answers, none by default.

    Attributes
    ----------
    live, bleached, dead : float
        Added to the log-odds of each surface against all that is none of them.
    edge_mm : float
        How far outlines are moved outwards.
    """

    live: float = 0.0
    bleached: float = 0.0
    dead: float = 0.0
    edge_mm: float = 0.0


AS_LEARNED = TissueCalibration()
