"""A machine and an rp2 that only take notes.

They know what MicroPython's documentation of rp2.asm_pio, rp2.StateMachine and rp2.DMA names, and nothing else.
Instructions are put together as the RP2040 datasheet, 3.4, has them.
"""

notes = {"programs": [], "lanes": [], "transfers": [], "mem": [], "fed": 0, "puts": [], "bitstream": [], "spi": []}


class Machine:
    """machine"""

    PWRON_RESET, WDT_RESET = 1, 3
    cause = 1

    class Mem:
        def __setitem__(self, at, value):
            notes["mem"].append([at, value])

    mem32 = Mem()

    class SoftSPI:
        def __init__(self, baudrate, sck, mosi, miso):
            self.setting = [baudrate, sck.name, mosi.name]

        def write(self, data):
            notes["spi"].append([self.setting, list(data)])

    class WDT:
        def __init__(self, timeout):
            notes["watchdog_ms"] = timeout

        def feed(self):
            notes["fed"] += 1

    class Pin:
        IN, OUT, PULL_UP, PULL_DOWN, IRQ_RISING, IRQ_FALLING = range(6)

        def __init__(self, name, mode=-1, pull=-1, value=None):
            self.name, self.level = name, value or 0

        def value(self, level=None):
            if level is None:
                return self.level
            self.level = level

        def irq(self, handler, trigger):
            self.handler = handler

    @staticmethod
    def bitstream(pin, encoding, times, data):
        assert encoding == 0 and len(times) == 4
        notes["bitstream"].append([pin.name, list(times), list(data)])

    @staticmethod
    def reset_cause():
        return Machine.cause

    @staticmethod
    def reset():
        notes["reset"] = True


class Asm:
    def __init__(self, side):
        self.words = []
        self.side_bits = side

    def _word(self, word):
        self.words.append(word)
        return self

    def out(self, to, n):
        return self._word(0x6000 | to << 5 | n & 31)

    def mov(self, to, source):
        return self._word(0xA000 | to << 5 | source)

    def set(self, to, value):
        return self._word(0xE000 | to << 5 | value)

    def nop(self):
        return self._word(0xA042)

    def side(self, value):
        assert self.side_bits == 1
        self.words[-1] |= value << 12
        return self

    def __getitem__(self, delay):
        assert 0 <= delay <= 31 >> self.side_bits, "a delay too long"
        self.words[-1] |= delay << 8
        return self


class Rp2:
    class PIO:
        OUT_LOW, SHIFT_LEFT = 0, 0

    @staticmethod
    def asm_pio(*, out_init=None, set_init=None, sideset_init=None, out_shiftdir, autopull, pull_thresh):
        assert out_shiftdir == 0 and autopull and pull_thresh == 8

        def decorate(function):
            asm = Asm(0 if sideset_init is None else 1)
            names = function.__globals__
            before = names.copy()
            names.clear()
            names.update({"out": asm.out, "mov": asm.mov, "set": asm.set, "nop": asm.nop, "pins": 0, "x": 1})
            names.update({"wrap": lambda: None, "wrap_target": lambda: None})
            function()
            names.clear()
            names.update(before)
            program = {"words": asm.words, "out": out_init is not None, "set": set_init is not None}
            notes["programs"].append(program)
            return program

        return decorate

    class StateMachine:
        def __init__(self, number):
            self.number = number

        def init(self, program, freq, set_base=None, out_base=None, sideset_base=None):
            pins = [pin.name if pin else None for pin in (out_base, set_base, sideset_base)]
            notes["lanes"].append([self.number, freq, pins])

        def active(self, on):
            assert on == 1

        def put(self, view, shift):
            notes["puts"].append([self.number, list(view), shift])

    class DMA:
        def __init__(self):
            self.read = self.count = None
            self.left = 0

        def pack_ctrl(self, size, inc_write, treq_sel):
            assert size == 0 and not inc_write
            return treq_sel

        def config(self, read, write, count, ctrl, trigger):
            assert not trigger
            self.write, self.ctrl = write.number, ctrl

        def active(self, on=None):
            if on is None:
                return 0
            notes["transfers"].append([self.write, self.ctrl, self.count, list(self.read)])


class Network:
    """network"""

    STA_IF = 0

    class WLAN:
        def __init__(self, interface):
            assert interface == 0

        def active(self, on):
            assert on

        def connect(self, ssid, key):
            notes["wifi"] = [ssid, key]


def install():
    """To be imported as machine, rp2 and network from now on."""
    import sys

    sys.modules["machine"], sys.modules["rp2"], sys.modules["network"] = Machine, Rp2, Network
