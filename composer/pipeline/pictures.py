"""Pictures: the whole song as a strip of light for each zone, and the rig drawn to scale."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from exporters import report

from ..clock import SECOND, Group
from ..faults import Faults
from ..rig import Rig
from ..wire import Duties, screen_of_duty
from .results import bar_lines, section_spans
from .rolls import Frames
from .show import Show

COLUMNS = 1840
VIDEO_RATE = 30  # frames a second of an mp4
MOST_ROWS = 160  # pixels of one zone that a picture shows
ALL_ROWS = 4000  # pixels of all zones together


class Film:
    """Gathers a picture while frames go by: each column is the mean light of its stretch of time."""

    def __init__(self, show: Show) -> None:
        self.show = show
        zones = {name: zone.pixels for name, zone in show.rig.zones.items() if zone.pixels}
        most = max(2, min(MOST_ROWS, ALL_ROWS // len(zones)))
        self._rows = {name: _spread(pixels, most) for name, pixels in zones.items()}
        self._pixels = np.unique(np.concatenate(list(self._rows.values())))
        self._duties = Duties(show.rig, self._pixels)
        self._columns = min(COLUMNS, max(1, show.clock.frames))
        self._picture = np.zeros((self._columns, len(self._pixels), 3), np.uint8)
        self._sum = np.zeros((len(self._pixels), 3))
        self._count, self._column = 0, 0

    def add(self, group: Group, frames: Frames) -> None:
        """Add a group, uint8 (frames, rig.frame_bytes); groups come in the order of time."""
        duty = self._duties.of(frames)
        times = [group.frame_us(i) for i in range(group.frames)]
        columns = [min(us * self._columns // max(self.show.song_us, 1), self._columns - 1) for us in times]
        for column, light in zip(columns, duty, strict=True):
            if column != self._column:
                self._close(column)
            self._sum += light
            self._count += 1

    def _close(self, next_column: int) -> None:
        if self._count:
            self._picture[self._column] = screen_of_duty(self._sum / self._count)
        for column in range(self._column + 1, next_column):
            self._picture[column] = self._picture[self._column]
        self._sum[:] = 0
        self._count, self._column = 0, next_column

    def save(self, path: Path) -> None:
        """Write the picture. Every zone is a band: its first pixel on top, time along."""
        self._close(self._columns)
        at = {int(pixel): i for i, pixel in enumerate(self._pixels)}
        zones = [
            (name, np.ascontiguousarray(self._picture[:, [at[int(p)] for p in rows]].transpose(1, 0, 2)))
            for name, rows in self._rows.items()
        ]
        show = self.show
        seconds = show.song.song.seconds
        sizes = {name: len(zone.pixels) for name, zone in show.rig.zones.items()}
        report.write_film_png(path, show.score.title, zones, seconds, bar_lines(show), section_spans(show), sizes)


def film(show: Show, stream: Iterable[tuple[Group, Frames]], path: Path) -> None:
    """Draw a show from its frames."""
    picture = Film(show)
    for group, frames in stream:
        picture.add(group, frames)
    picture.save(path)


def video(show: Show, stream: Iterable[tuple[Group, Frames]], path: Path) -> None:
    """The show as an mp4 with its sound, 30 frames a second: each shows the light that stands at its time.

    Raises Faults where ffmpeg is missing or fails: nothing is wrong with the show.
    """
    places = np.array(show.rig.places)
    try:
        report.write_film_mp4(path, places, _lights(show, stream), VIDEO_RATE, show.score.song)
    except report.FilmNeeds as error:
        raise Faults.one(path, "", str(error)) from None


def _lights(show: Show, stream: Iterable[tuple[Group, Frames]]) -> Iterator[NDArray[np.float32]]:
    """The light at each frame of the film, float32 (rig pixels, 3), linear 0-1; dark before the show's first frame."""
    duties = Duties(show.rig)
    light = np.zeros((show.rig.pixels, 3), np.float32)
    shown = 0
    for group, frames in stream:
        duty = duties.of(frames)
        for i in range(group.frames):
            due = group.frame_us(i)
            while shown * SECOND < due * VIDEO_RATE:
                yield light
                shown += 1
            light = duty[i]
    while shown * SECOND < show.song_us * VIDEO_RATE:
        yield light
        shown += 1


def _spread(pixels: tuple[int, ...], most: int = MOST_ROWS) -> NDArray[np.int64]:
    """At most so many of a zone's pixels, evenly over it."""
    rows = min(len(pixels), most)
    return np.array([pixels[i * len(pixels) // rows] for i in range(rows)], np.int64)


def draw_rig(rig: Rig, path: Path) -> None:
    """Draw a rig to scale, SVG or PNG by the ending of the path."""
    strings = [
        report.RigString(
            name=s.name,
            controller=s.controller,
            pin=s.pin,
            chip=s.chip.name,
            points=s.places,
            feeds=[(f.at, f.supply) for f in s.feeds],
            cuts=list(s.cuts),
            skipped=sorted(s.skip),
        )
        for s in rig.strings.values()
    ]
    zones = [
        (name, np.array([rig.places[p] for p in zone.pixels]))
        for name, zone in rig.zones.items()
        if name not in rig.strings and zone.pixels
    ]
    report.write_rig_picture(path, rig.path.parent.resolve().name, strings, zones)
