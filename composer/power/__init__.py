"""Wire bytes -> amperes, volts along the strings, feeds and fuses; and the limiter that keeps a show within them.

`model` says what a pixel draws, `limiter` scales frames, `ladder` says where the current flows, `audit` adds it up.
Input is only the bytes of frames and the rig.
"""

from .audit import PowerAudit
from .limiter import limited
from .model import CurrentModel, Reading, fit_chip

__all__ = ["CurrentModel", "PowerAudit", "Reading", "fit_chip", "limited"]
