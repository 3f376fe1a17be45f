"""Lines that come in, what they ask of the player, and the answers. exporters/LINK.md."""

import binascii
import hashlib
import os

from .lines import Answer, Line
from .words import TABLE, begin, crc_is, fast

VERSION = 1
NOBODY = -1
SERIAL = 0  # a leader; packets name theirs by their session
ROOM, UART_ROOM = 4_096, 256  # bytes of lines that may be under way: USB holds the sender back, a converter does not
SILENCE_MS = 10_000  # until another may lead
SERIAL_BYTES = 64  # read in one round


class Talk:
    """Serial lines and packets. leader: who was obeyed last; packets: how many came since memory was swept."""

    def __init__(self, player):
        self._player = player
        self._serial = Line()
        self._packet = Line()
        self._answer = Answer()
        self._crc = bytearray(4)
        self._want = bytearray(4)
        self._session = 0
        self._seq = 0
        self.leader = NOBODY
        self.packets = 0

    def step(self):
        """Read what has come and obey."""
        player = self._player
        hw = player.hw
        for _ in range(SERIAL_BYTES):
            byte = hw.read()
            if byte < 0:
                break
            if self._serial.feed(byte):
                self._obey(self._serial, SERIAL)
                self._answer.text(b"\n")
                hw.write(self._answer.bytes, self._answer.n)
                return
        packet = hw.receive()
        if packet:
            self.packets += 1
            self._heard(packet)

    def _heard(self, packet):
        """SESSION SEQ line"""
        line = self._packet
        line.long = len(packet) > len(line.bytes)
        line.n = min(len(packet), len(line.bytes))
        for i in range(line.n):
            line.bytes[i] = packet[i]
        while line.n and line.bytes[line.n - 1] in (10, 13):
            line.n -= 1
        line.split(0)
        session = line.number(0, 0x3FFFFFFF)
        seq = line.number(1, 0x3FFFFFFF) if line.good else 0
        if not line.good or not session or line.words < 3:
            return
        if session == self._session and seq <= self._seq:
            return
        self._session, self._seq = session, seq
        line.split(line.where(2))
        answer = self._answer
        answer.n = 0
        answer.number(session)
        answer.text(b" ")
        answer.number(seq)
        answer.text(b" ")
        self._obey(line, session, answer.n)
        self._player.hw.send_packet(bytes(answer.bytes[: answer.n]))

    def say(self, word, what):
        """A line that nobody asked for."""
        text = f"* {word} {what}\n".encode()
        self._player.hw.write(text, len(text))

    # ---- verbs ------------------------------------------------------------------------------------------------

    def _obey(self, line, who, n=0):
        answer = self._answer
        answer.n = n
        if line.long:
            answer.text(b"no long")
            return
        player = self._player
        for verb, needs_lead, act in VERBS:
            if line.begins(verb):
                free = player.up_ms - player.spoken_ms > SILENCE_MS or self.leader == NOBODY
                if who == self.leader:
                    player.spoken_ms = player.up_ms
                    free = True
                if needs_lead and not free and not (verb == b"dark" and line.number(1, 1) == 1 and line.good):
                    why = "busy"
                else:
                    answer.text(b"ok ")
                    answer.text(verb)
                    why = act(self, line, who)
                if why:
                    answer.n = n
                    answer.text(b"no ")
                    answer.text(verb)
                    answer.text(b" ")
                    answer.text(why.encode())
                return
        answer.text(b"no verb")

    def _lead(self, who):
        self.leader = who
        self._player.spoken_ms = self._player.up_ms

    def _position(self):
        self._answer.text(b" ")
        self._answer.seconds(self._player.clock.ms)

    def _hello(self, line, who):
        settings, answer = self._player.settings, self._answer
        room = UART_ROOM if settings["board"] == "esp32" else ROOM
        answer.text(f" {VERSION} {settings['board']} {room} {len(self._player.live)} ".encode())
        answer.text(settings["controller"].encode())

    def _list(self, line, who):
        number = line.number(1, 99_999)
        if not line.good:
            return "words"
        if self._player.state > 1:
            return "state"
        names = sorted([name for name in os.listdir() if name.endswith(".roll")])
        if number >= len(names):
            return "end"
        self._answer.text(f" {number} {len(names)} {os.stat(names[number])[6]} {names[number]}".encode())

    def _hash(self, line, who):
        name = str(line.rest(1), "utf-8")
        if not name:
            return "words"
        if self._player.state > 1:
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
                    self._player.hw.feed()
        except OSError:
            return "file"
        self._answer.text(b" " + binascii.hexlify(digest.digest()) + f" {size} {name}".encode())

    def _cue(self, line, who):
        name = str(line.rest(1), "utf-8")
        if not name:
            return "words"
        self._lead(who)
        self._player.alone = False
        why = self._player.cue(name)
        if not why:
            crc = self._player.show.roll.head.crc
            self._answer.text(b" " + binascii.hexlify(bytes(reversed(crc))) + b" " + name.encode())
        return why

    def _start(self, line, who):
        ms = line.thousandths(1)
        if not line.good:
            return "words"
        why = self._player.start(ms)
        if not why:
            self._lead(who)
            self._position()
        return why

    def _at(self, line, who):
        ms = line.thousandths(1)
        if not line.good:
            return "words"
        why = self._player.at(ms)
        self._position()
        return why

    def _pause(self, line, who):
        why = self._player.pause()
        self._position()
        return why

    def _stop(self, line, who):
        self._player.stop()
        self.leader = NOBODY
        self.say("stop", "asked")

    def _bright(self, line, who):
        level = line.number(1, 255)
        if not line.good:
            return "words"
        self._player.bright(level)
        self._answer.text(b" ")
        self._answer.number(level)

    def _dark(self, line, who):
        on = line.number(1, 1)
        if not line.good:
            return "words"
        self._player.dark(on == 1)
        self._answer.text(b" ")
        self._answer.number(on)

    def _state(self, line, who):
        player, answer = self._player, self._answer
        answer.text(b" ")
        answer.text(STATES[player.state])
        if player.state == 4:
            player.clock.tick()
        self._position()
        show = player.show
        for count in (show.late, show.dark_groups, player.output.dimmed) if show else (0, 0, 0):
            answer.text(b" ")
            answer.number(count)
        answer.text(b" ")
        answer.text(player.file.encode() if player.file else b"-")

    def _wiring(self, line, who):
        on = line.number(1, 1)
        if not line.good:
            return "words"
        self._lead(who)
        self._player.wiring(on == 1)
        self._answer.text(b" ")
        self._answer.number(on)

    def _put(self, line, who):
        player = self._player
        first = line.number(1, len(player.live))
        if not line.good or line.words < 4:
            return "words"
        line.hex32(2, self._want)
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
        if not self._sound(data):
            return "crc"
        player.live[first : first + len(data)] = data
        player.heard_live()

    def _show(self, line, who):
        line.hex32(1, self._want)
        if not line.good:
            return "words"
        if not self._sound(self._player.live):
            return "crc"
        why = self._player.show_live()
        if not why:
            self._lead(who)
        return why

    def _sound(self, data):
        begin(self._crc)
        fast.crc(TABLE, self._crc, data, len(data))
        return crc_is(self._crc, self._want, 0)


STATES = (b"idle", b"cued", b"playing", b"paused", b"lost", b"live", b"wiring")

# The verb, whether only the leader may say it, and what it does. What comes often first.
VERBS = (
    (b"at", True, Talk._at),
    (b"put", True, Talk._put),
    (b"show", True, Talk._show),
    (b"state", False, Talk._state),
    (b"bright", True, Talk._bright),
    (b"dark", True, Talk._dark),
    (b"start", True, Talk._start),
    (b"pause", True, Talk._pause),
    (b"stop", False, Talk._stop),
    (b"cue", True, Talk._cue),
    (b"hello", False, Talk._hello),
    (b"list", False, Talk._list),
    (b"hash", False, Talk._hash),
    (b"wiring", True, Talk._wiring),
)
