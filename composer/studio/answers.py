"""What the page asks of the last good version: the rig, what was heard, a bar's bytes and its picture."""

from __future__ import annotations

import json
from typing import Any

from ..pipeline import baked_of, changed_since_bake, made_of, shown
from .packet import packet, png
from .session import Session
from .texts import Sheet, id_of


def rig(session: Session) -> bytes:
    """The rig: strings, zones, places, and the one table from bytes to screen codes."""
    view, state = session.good(), session.state()
    rig = view.show.rig
    facts, parts = shown.rig_facts(view)
    zones = []
    first = 0
    for name, zone in rig.zones.items():
        top, rows = view.bands[name]
        zones.append({"name": name, "first": first, "pixels": len(zone.pixels), "top": top, "rows": len(rows)})
        first += len(zone.pixels)
    header = {"rig_id": state["rig_id"], **facts, "zones": zones, "picture_rows": view.picture_rows}
    return packet(header, parts)


def song(session: Session) -> dict[str, Any]:
    """What was heard in the song."""
    view, state = session.good(), session.state()
    heard = view.show.song
    return {
        "song_id": state["song_id"],
        "seconds": heard.song.seconds,
        "sha256": heard.song.sha256,
        "onsets": heard.onsets,
        "hits": heard.hits,
        "loudness": {
            "hop_s": heard.loudness.hop_s,
            **{band: getattr(heard.loudness, band) for band in ("low", "mid", "high", "all")},
        },
        "beats": heard.beats,
        "bars": heard.bars,
    }


def piece(session: Session, id: str) -> bytes:
    """A bar: a roll for each controller, and what each supply gives in each frame."""
    view, found, mode = session.piece(id)
    light = view.light_of(found, mode)
    groups = view.show.clock.groups[found.first_group : found.end_group]
    rolls = view.rolls(found, light)
    header = {
        "id": id,
        "frames": found.frames,
        "groups": [
            [g.first - found.first, g.frames, g.start_us - found.start_us, g.end_us - found.start_us] for g in groups
        ],
        "rolls": [{"controller": name, "part": f"roll/{name}"} for name in rolls],
        "supplies": list(view.model.supplies),
        "limited": int((light.gains < 1).any(axis=1).sum()),
    }
    parts: dict[str, Any] = {f"roll/{name}": data for name, data in rolls.items()}
    return packet(header, {**parts, "amps": view.amps(light), "gains": light.gains})


def picture(session: Session, id: str) -> bytes:
    """The light of every zone in a bar, as PNG."""
    view, found, mode = session.piece(id)
    return png(view.picture(view.light_of(found, mode)))


def volts(session: Session, id: str) -> dict[str, Any]:
    """The lowest volts of each string in a bar, group by group."""
    view, found, mode = session.piece(id)
    strings = view.volts(found, view.light_of(found, mode))
    return {"groups": found.end_group - found.first_group, "strings": strings}


def text(sheet: Sheet) -> dict[str, Any]:
    """A file's text with its name: of one moment, though another page may be writing."""
    now = sheet.text
    return {"id": id_of(now), "text": now, "path": sheet.path.name}


def board(session: Session) -> dict[str, Any]:
    """Sizes and the board check of the last bake, and whether it is of the files as they are."""
    path = session.loader.folder / "out" / "audit.json"
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        controllers = found["controllers"]
    except (OSError, ValueError, KeyError, TypeError):
        return {"baked": False, "current": False, "controllers": {}}
    made = baked_of(path.parent)
    current = not changed_since_bake(session.loader.path) if made is None else made == made_of(session.loader.path)
    return {"baked": bool(found.get("ok")), "current": current, "controllers": controllers}


def plain(value: Any) -> Any:
    """For JSON: numpy's numbers as numbers, dates as text."""
    if hasattr(value, "tolist"):
        return value.tolist()
    if hasattr(value, "isoformat"):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} has no JSON form")
