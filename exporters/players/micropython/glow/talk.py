"""Lines that come in, what they ask of the player, and the answers. exporters/LINK.md."""

from .lines import Answer, Line
from .verbs import NOBODY, VERBS

SERIAL = 0  # a leader; packets name theirs by their session
SILENCE_MS = 10_000  # until another may lead
SERIAL_BYTES = 64  # read in one round


class Talk:
    """Serial lines and packets. leader: who was obeyed last; packets: how many came since memory was swept."""

    def __init__(self, player):
        self.player = player
        self._serial = Line()
        self._packet = Line()
        self.answer = Answer()
        self.crc = bytearray(4)
        self.want = bytearray(4)
        self._session = 0
        self._seq = 0
        self.leader = NOBODY
        self.packets = 0

    def step(self):
        """Read what has come and obey."""
        player = self.player
        hw = player.hw
        for _ in range(SERIAL_BYTES):
            byte = hw.read()
            if byte < 0:
                break
            if self._serial.feed(byte):
                self._obey(self._serial, SERIAL)
                self.answer.text(b"\n")
                hw.write(self.answer.bytes, self.answer.n)
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
        answer = self.answer
        answer.n = 0
        answer.number(session)
        answer.text(b" ")
        answer.number(seq)
        answer.text(b" ")
        self._obey(line, session, answer.n)
        self.player.hw.send_packet(bytes(answer.bytes[: answer.n]))

    def say(self, word, what):
        """A line that nobody asked for."""
        text = f"* {word} {what}\n".encode()
        self.player.hw.write(text, len(text))

    # ---- verbs ------------------------------------------------------------------------------------------------

    def _obey(self, line, who, n=0):
        answer = self.answer
        answer.n = n
        if line.long:
            answer.text(b"no long")
            return
        player = self.player
        for verb, needs_lead, act in VERBS:
            if line.begins(verb):
                free = not self.led()
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

    def led(self):
        """Whether a computer leads."""
        return self.leader != NOBODY and self.player.up_ms - self.player.spoken_ms <= SILENCE_MS

    def lead(self, who):
        """Whoever this is leads from now on."""
        self.leader = who
        self.player.spoken_ms = self.player.up_ms

    def position(self):
        """Add the position to the answer."""
        self.answer.text(b" ")
        self.answer.seconds(self.player.clock.ms)
