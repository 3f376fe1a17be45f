"""Audit results and light as files to read: JSON, CSV, HTML pages, a picture of the song and one of the rig.

Plain data in, files out. Nothing here knows a rig or a score: the caller hands over numbers, names and arrays.

Conventions
-----------
Times are seconds from the start of the song, currents amperes, potentials volts, places metres. A musical address is
a text such as `17.3` (bar 17, beat 3). None and NaN mean "not worked out" and are shown as `-`. Every file is written
under a temporary name in the same folder and then renamed, so that a reader sees the old file or the new one.
"""

from __future__ import annotations

from .buildsheet import write_build_sheet
from .cells import apart, dimmed_words, in_amps, in_bytes
from .files import plain, write_csv, write_json
from .film import write_film_png
from .judging import electric_wrongs, feed_wrongs, wrongs
from .page import write_audit_html
from .plots import Series
from .rigpicture import RigString, write_rig_picture
from .video import FilmNeeds, write_film_mp4

__all__ = [
    "FilmNeeds",
    "RigString",
    "Series",
    "apart",
    "dimmed_words",
    "electric_wrongs",
    "feed_wrongs",
    "in_amps",
    "in_bytes",
    "plain",
    "write_audit_html",
    "write_build_sheet",
    "write_csv",
    "write_film_mp4",
    "write_film_png",
    "write_json",
    "write_rig_picture",
    "wrongs",
]
