"""Wire bytes -> amperes, volts along the strings, feeds and fuses; and the limiter that keeps a show within them.

`model` says what a pixel draws, `limiter` scales frames, `wires` and `ladder` say where the current flows, `audit` adds
it up, `advice` says what to change. Input is only the bytes of frames and the rig.
"""

from ..rig import Reading
from .advice import advice
from .allotment import allotments
from .audit import PowerAudit
from .ladder import Ladder
from .limiter import limited
from .model import CurrentModel, calibrated, fit_chip

__all__ = [
    "CurrentModel", "Ladder", "PowerAudit", "Reading", "advice", "allotments", "calibrated", "fit_chip", "limited",
]  # fmt: skip
