"""A Glowscore board starts here. exporters/players/PLAYER.md says what it does."""

import json

import machine
from machine import Pin


def dark(settings):
    """Zeros to every string, by the processor alone, before anything else is compiled.

    After a reset in the middle of a show pixels hold their last colour.
    """
    for string in settings["strings"]:
        pin = Pin(string["pin"], Pin.OUT, value=0)
        pixels, channels = string["pixels"], string["channels"]
        if string["clocked"]:
            clock = Pin(string["clock_pin"], Pin.OUT, value=0)
            level = bytes([string["level_byte"]]) + bytes(channels)
            _shift(pin, clock, bytes(string["start_bytes"]))
            for _ in range(pixels):
                _shift(pin, clock, level)
            _shift(pin, clock, bytes(string["end_bytes"]))
        else:
            times = (string["t0h_ns"], string["t0l_ns"], string["t1h_ns"], string["t1l_ns"])
            machine.bitstream(pin, 0, times, bytes(pixels * channels))


def _shift(pin, clock, data):
    for byte in data:
        for place in range(7, -1, -1):
            pin.value(byte >> place & 1)
            clock.value(1)
            clock.value(0)


def begin():
    """Read the settings, be dark, play."""
    with open("settings.json") as file:
        settings = json.load(file)
    dark(settings)
    from rooms import rooms

    taken = rooms(settings)
    from glow.main_loop import main

    main(settings, taken)


begin()
