"""What each line asks for, and its answer: exporters/LINK.md section 3. None: done; else the reason why not."""

import binascii
import hashlib
import os

from .states import STATES
from .words import TABLE, begin, crc_is, fast

VERSION = 1
NOBODY = -1
ROOM, UART_ROOM = 4_096, 256  # bytes of lines that may be under way: USB holds the sender back, a converter does not


def _hello(talk, line, who):
    settings, answer = talk.player.settings, talk.answer
    room = UART_ROOM if settings["board"] == "esp32" else ROOM
    answer.text(f" {VERSION} {settings['board']} {room} {len(talk.player.live)} ".encode())
    answer.text(settings["controller"].encode())


def _list(talk, line, who):
    number = line.number(1, 99_999)
    if not line.good:
        return "words"
    if talk.player.state > 1:
        return "state"
    names = sorted([name for name in os.listdir() if name.endswith(".roll")])
    if number >= len(names):
        return "end"
    talk.answer.text(f" {number} {len(names)} {os.stat(names[number])[6]} {names[number]}".encode())


def _name(line):
    """The name of a file that ends a line; "" for none, and for bytes that are no UTF-8."""
    try:
        return str(line.rest(1), "utf-8")
    except ValueError:
        return ""


def _hash(talk, line, who):
    name = _name(line)
    if not name:
        return "words"
    if talk.player.state > 1:
        return "state"
    digest = hashlib.sha256()
    piece = bytearray(512)
    size = 0
    try:
        with open(name, "rb") as file:
            while True:
                n = file.readinto(piece)
                if not n:
                    break
                digest.update(memoryview(piece)[:n])
                size += n
                talk.player.hw.feed()
    except OSError:
        return "file"
    talk.answer.text(b" " + binascii.hexlify(digest.digest()) + f" {size} {name}".encode())


def _cue(talk, line, who):
    name = _name(line)
    if not name:
        return "words"
    talk.lead(who)
    talk.player.taken_over()
    why = talk.player.cue(name)
    if not why:
        crc = talk.player.show.roll.head.crc
        talk.answer.text(b" " + binascii.hexlify(bytes(reversed(crc))) + b" " + name.encode())
    return why


def _start(talk, line, who):
    ms = line.thousandths(1)
    if not line.good:
        return "words"
    why = talk.player.start(ms)
    if not why:
        talk.lead(who)
        talk.player.alone.off()
        talk.position()
    return why


def _at(talk, line, who):
    ms = line.thousandths(1)
    if not line.good:
        return "words"
    why = talk.player.at(ms)
    if not why:
        talk.lead(who)
    talk.position()
    return why


def _pause(talk, line, who):
    why = talk.player.pause()
    talk.position()
    return why


def _stop(talk, line, who):
    talk.player.stop()
    talk.leader = NOBODY
    talk.say("stop", "asked")


def _bright(talk, line, who):
    level = line.number(1, 255)
    if not line.good:
        return "words"
    talk.player.bright(level)
    talk.answer.text(b" ")
    talk.answer.number(level)


def _dark(talk, line, who):
    on = line.number(1, 1)
    if not line.good:
        return "words"
    talk.player.dark(on == 1)
    talk.answer.text(b" ")
    talk.answer.number(on)


def _state(talk, line, who):
    player, answer = talk.player, talk.answer
    answer.text(b" ")
    answer.text(STATES[player.state])
    if player.state == 4:
        player.clock.tick()
    talk.position()
    show = player.show
    for count in (show.late, show.dark_groups, player.output.dimmed) if show else (0, 0, 0):
        answer.text(b" ")
        answer.number(count)
    answer.text(b" ")
    answer.text(player.file.encode() if player.file else b"-")


def _wiring(talk, line, who):
    on = line.number(1, 1)
    if not line.good:
        return "words"
    talk.lead(who)
    talk.player.wiring(on == 1)
    talk.answer.text(b" ")
    talk.answer.number(on)


def _put(talk, line, who):
    player = talk.player
    first = line.number(1, len(player.live))
    if not line.good or line.words < 4:
        return "words"
    line.hex32(2, talk.want)
    if not line.good:
        return "words"
    if player.state not in (0, 1, 5):
        return "state"
    try:
        data = binascii.a2b_base64(line.rest(3))
    except ValueError:
        return "words"
    if first + len(data) > len(player.live) or len(data) > 144:
        return "words"
    if not _sound(talk, data):
        return "crc"
    player.live[first : first + len(data)] = data
    player.heard_live()


def _show(talk, line, who):
    line.hex32(1, talk.want)
    if not line.good:
        return "words"
    if not _sound(talk, talk.player.live):
        return "crc"
    why = talk.player.show_live()
    if not why:
        talk.lead(who)
        talk.player.alone.off()
    return why


def _sound(talk, data):
    begin(talk.crc)
    fast.crc(TABLE, talk.crc, data, len(data))
    return crc_is(talk.crc, talk.want, 0)


# The verb, whether only the leader may say it, and what it does. What comes often first.
VERBS = (
    (b"at", True, _at),
    (b"put", True, _put),
    (b"show", True, _show),
    (b"state", False, _state),
    (b"bright", True, _bright),
    (b"dark", True, _dark),
    (b"start", True, _start),
    (b"pause", True, _pause),
    (b"stop", False, _stop),
    (b"cue", True, _cue),
    (b"hello", False, _hello),
    (b"list", False, _list),
    (b"hash", False, _hash),
    (b"wiring", True, _wiring),
)
