"""What all boards have alike: ticks, LED, button, wire, serial lines, packets. hw_pico.py and hw_esp32.py add the rest.

The whole of what the player asks of a board (tests have one without pins):

ticks(), ticks_diff(a, b)   microseconds that wrap round, and their difference within half a round
sleep_ms(n)                 do nothing
at_once(most)               how many strings leave at the same time
attach(strings, views, bits_us, resets_us, at_once); send(); busy()
watchdog_on(ms), feed(), watchdog_off(); reset(); power_on()
led(on); button(); pulse(on); edge() with edge_ticks, edge_high
read(), write(buffer, n)    a byte that came over serial or -1; bytes to it
receive(), send_packet(b)   a packet or None; an answer to where it came from, or to all
"""

import select
import sys
import time
from array import array

import machine
from machine import Pin

EDGES = 16  # of the wire that wait to be looked at
MOST_PACKET = 280


class Common:
    """Pins and links by settings.json; those that are null are not there."""

    ticks = staticmethod(time.ticks_us)
    ticks_diff = staticmethod(time.ticks_diff)
    sleep_ms = staticmethod(time.sleep_ms)

    def __init__(self, settings):
        self._settings = settings
        self._watchdog = None
        self._led = self._pin(settings["led_pin"], Pin.OUT)
        self._led_on = None
        self._button = self._pin(settings["button_pin"], Pin.IN, Pin.PULL_UP)
        self._wire = self._pin(settings["pulse_out_pin"], Pin.OUT)
        if self._wire:
            self._wire.value(0)
        self._listen = self._pin(settings["pulse_in_pin"], Pin.IN, Pin.PULL_DOWN)
        self._at = array("i", bytes(4 * EDGES))
        self._level = bytearray(EDGES)
        self._in = self._out = 0
        self.edge_ticks = 0
        self.edge_high = False
        if self._listen:
            self._listen.irq(self._heard, Pin.IRQ_RISING | Pin.IRQ_FALLING)
        self._one = bytearray(1)
        self._serial = select.poll()
        self._serial.register(sys.stdin, select.POLLIN)
        self._socket = None
        self._from = None
        self._packets = select.poll()
        if settings["wifi"]:
            try:
                self._join(settings["wifi"])
            except Exception as error:  # the show goes on without: by its button, the wire, the serial line
                self._socket = None
                print("wifi:", error)

    def _pin(self, name, *how):
        if name is None:
            return None
        try:
            return Pin(name, *how)
        except ValueError:  # a board without an LED of that name
            return None

    def led(self, on):
        """The board's own LED. It is set only when it changes: on a Pico W that takes a while."""
        if self._led and on != self._led_on:
            self._led_on = on
            self._led.value(1 if on else 0)

    def button(self):
        """Whether the button is pressed, that is, joins its pin to ground."""
        return self._button is not None and not self._button.value()

    # ---- the wire ---------------------------------------------------------------------------------------------

    def pulse(self, on):
        """Raise or lower the wire."""
        if self._wire:
            self._wire.value(1 if on else 0)

    def _heard(self, pin):
        self._at[self._in] = time.ticks_us()
        self._level[self._in] = pin.value()
        self._in = (self._in + 1) % EDGES

    def edge(self):
        """Take the oldest edge, if there is one: then edge_ticks and edge_high are its own."""
        if self._in == self._out:
            return False
        self.edge_ticks = self._at[self._out]
        self.edge_high = self._level[self._out] == 1
        self._out = (self._out + 1) % EDGES
        return True

    # ---- serial -----------------------------------------------------------------------------------------------

    def read(self):
        """A byte that has come, or -1."""
        for _ in self._serial.ipoll(0):
            if sys.stdin.buffer.readinto(self._one, 1):
                return self._one[0]
        return -1

    def write(self, buffer, n):
        """n bytes. With nobody there they are lost."""
        sys.stdout.buffer.write(buffer, n)

    # ---- packets ----------------------------------------------------------------------------------------------

    def _join(self, wifi):
        import socket

        import network

        self._wlan = network.WLAN(network.STA_IF)
        self._wlan.active(True)
        self._wlan.connect(wifi["ssid"], wifi["key"])  # goes on by itself, and joins again when it is lost
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._socket.bind(socket.getaddrinfo("0.0.0.0", self._settings["udp_port"])[0][-1])
        self._packets.register(self._socket, select.POLLIN)

    def receive(self):
        """A packet that has come, or None. Takes memory when there is one."""
        if self._socket:
            for _ in self._packets.ipoll(0):
                try:
                    packet, self._from = self._socket.recvfrom(MOST_PACKET)
                    return packet
                except OSError:
                    return None
        return None

    def send_packet(self, packet):
        """To where the last packet came from. A network that is away costs a packet, not the show."""
        if self._socket and self._from:
            try:
                self._socket.sendto(packet, self._from)
            except OSError:
                pass

    # ---- watchdog ---------------------------------------------------------------------------------------------

    def watchdog_on(self, ms):
        """Begin to watch, if it is not begun."""
        if not self._watchdog:
            self._watchdog = machine.WDT(timeout=ms)

    def feed(self):
        """All is well."""
        if self._watchdog:
            self._watchdog.feed()

    def reset(self):
        """Begin again as after power, but see power_on."""
        machine.reset()
