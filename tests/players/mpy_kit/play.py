"""Scenes with the real player on a board without pins. Usage: play.py GLOW SCENE FOLDER [word ...]; prints JSON."""

import binascii
import json
import os
import sys

sys.path.insert(0, sys.argv[1])
if "__file__" in globals():
    sys.path.insert(0, __file__.rsplit("/", 1)[0])
from glow.player import Player  # noqa: E402
from hw_fake import Hw  # noqa: E402

STRING = {
    "name": "rail",
    "pin": 16,
    "clock_pin": None,
    "pixels": 5,
    "channels": 3,
    "order": "grb",
    "chip": "ws2812b",
    "clocked": False,
    "reset_us": 300,
    "t0h_ns": 400,
    "t0l_ns": 850,
    "t1h_ns": 800,
    "t1l_ns": 450,
}


def settings(**other):
    made = {
        "format": 1,
        "controller": "quay",
        "board": "pico",
        "strings": [STRING],
        "outputs_at_once": 8,
        "led_pin": "LED",
        "button_pin": None,
        "pulse_in_pin": None,
        "pulse_out_pin": None,
        "start": "wait",
        "songs": ["a.roll"],
        "loop": False,
        "pause_s": 0,
        "brightness": 255,
        "udp_port": 5005,
        "wifi": None,
        "quiet_look": None,
    }
    made.update(other)
    return made


def run(player, until_us):
    hw = player.hw
    while hw.true_us < until_us:
        before = hw.true_us
        player.step()
        assert hw.true_us > before, "stalled"


def ask(player, line, wait_us=60_000):
    """Say a line, and give the answer."""
    hw = player.hw
    hw.said.clear()
    hw.type(line)
    until = hw.true_us + wait_us
    while hw.true_us < until and not [said for said in hw.said if not said.startswith("*")]:
        player.step()
    return [said for said in hw.said if not said.startswith("*")]


def answers(player, *lines):
    return {line: ask(player, line) for line in lines}


# ---- scenes -----------------------------------------------------------------------------------------------------


def talk(*lines):
    """Each line, and what the board answers. `+ MS` lets time pass."""
    player = Player(Hw(), settings())
    said = []
    for line in lines:
        if line.startswith("+"):
            run(player, player.hw.true_us + 1000 * int(line[1:]))
        else:
            said.append(ask(player, line))
    return {"said": said, "lit": player.hw.lit, "frame": list(player.hw.sent[-1][1]), "watching": player.hw.watching_ms}


def times(start_ms, ppm="0", work_us="0"):
    """When each frame latches, microseconds of the song by the board's own start, and its bytes."""
    hw = Hw(int(ppm))
    player = Player(hw, settings())
    ask(player, "cue a.roll")
    if int(work_us):
        loader = player.show.roll
        work = loader.work

        def slow():
            hw.pass_us(int(work_us))
            return work()

        loader.work = slow
    hw.sent.clear()
    ask(player, f"start {int(start_ms) / 1000:.3f}")
    zero_us = hw.true_us - 1000 * int(start_ms)
    while player.state == 2:
        player.step()
    return {
        "sent": [(at - zero_us, list(frame)) for at, frame in hw.sent],
        "late": player.show.late,
        "said": hw.said,
        "longest_feed_us": hw.longest_feed_us,
    }


def step_with_sound(ppm, minutes, at_ms, delay_ms):
    """A computer says `at` now and then while the board's crystal is off. The greatest distances, microseconds."""
    hw = Hw(int(ppm), look_us=400)
    player = Player(hw, settings())
    ask(player, "cue a.roll")
    state = [7]

    def lot(most):
        state[0] = (state[0] * 1103515245 + 12345) & 0x7FFFFFFF
        return (state[0] >> 8) % most

    begin = hw.true_us + 2_500_000  # the song's zero in the world's time
    hw.type(f"start {(hw.true_us - begin) / 1e6:.3f}")
    worst = [0, 0, 0]
    next_at = hw.true_us + 100_000
    last = hw.true_us
    hw.keep = hw.last
    while hw.true_us < begin + int(minutes) * 60_000_000:
        if hw.true_us >= next_at:
            # The line was sent a while ago; its SECONDS already hold half of the shortest round trip, here nothing.
            late = lot(1000 * int(delay_ms) + 1)
            hw.type(f"at {(hw.true_us - late - begin) / 1e6:.3f}")
            next_at += (100_000 if hw.true_us < begin else int(at_ms) * 1000) + lot(50_000)
            hw.said.clear()
        player.step()
        if hw.true_us - last > 100_000:
            last = hw.true_us
            off = player.clock.ms * 1000 + player.clock.us - (hw.true_us - begin)
            if last > begin:
                worst[0] = max(worst[0], off)
                worst[1] = min(worst[1], off)
    return {"ahead_us": worst[0], "behind_us": worst[1], "frames": hw.frames, "late": player.show.late}


def wire(ppm_lead, ppm_other, seconds):
    """Two boards and the wire between them: the list played on both, and how far they are apart, microseconds."""
    one, two = Hw(int(ppm_lead), look_us=100), Hw(int(ppm_other), look_us=100, first_ticks=77)
    one.listeners = [two]
    lead = Player(one, settings(pulse_out_pin=3, start="button", songs=["a.roll", "b.roll"], loop=False))
    other = Player(two, settings(pulse_in_pin=4, songs=["a.roll", "b.roll"]))
    apart = [1 << 29, -(1 << 29)]
    seen = []
    for hw in (one, two):
        hw.keep = hw.last
    press = 5_000_000
    while one.true_us < 1_000_000 * int(seconds):
        player = lead if one.true_us <= two.true_us else other
        one.pressed = press < one.true_us < press + 200_000
        player.step()
        if lead.state == other.state == 2 and lead.clock.ms > 100:
            early = one.true_us - two.true_us
            here = lead.clock.ms * 1000 + lead.clock.us
            there = other.clock.ms * 1000 + other.clock.us + early
            apart = [min(apart[0], here - there), max(apart[1], here - there)]
        now = (lead.file, other.file)
        if not seen or seen[-1] != list(now):
            seen.append(list(now))
    return {
        "apart_us": apart,
        "files": seen,
        "pulses": [(at, on) for at, on in one.wire][:8],
        "lit": [one.lit, two.lit],
        "said": [one.said, two.said],
    }


def pulses(*seconds):
    """What a listener makes of starts at these times."""
    from glow.pulse import Listener

    hw = Hw(look_us=100)
    listener = Listener(hw)
    heard = []
    for at in seconds:
        for us, high in ((0, True), (150_000, False)):
            hw.true_us = 1_000_000 * int(at) + us
            hw.edges.append((hw.ticks_at(hw.true_us), high))
        heard.append(listener.heard())
    return heard


def net(board_bright, *lines):
    """Every frame that is sent of a roll with draws, and what `state` says at the end."""
    player = Player(Hw(), settings(brightness=int(board_bright)))
    for line in ["cue a.roll"] + list(lines):
        ask(player, line)
    player.hw.sent.clear()
    ask(player, "start 0")
    run(player, player.hw.true_us + 1_900_000)
    return {"sent": [list(frame) for _, frame in player.hw.sent], "state": ask(player, "state")}


def chips(*_):
    """What leaves for a string of one wire and a clocked one, and how long that takes."""
    clocked = {
        "name": "lamp",
        "pin": 2,
        "clock_pin": 3,
        "pixels": 3,
        "channels": 3,
        "order": "bgr",
        "chip": "apa102",
        "clocked": True,
        "reset_us": 0,
        "bit_ns": 1000,
        "start_bytes": 4,
        "level_byte": 255,
        "end_bytes": 1,
    }
    hw = Hw()
    hw.at_once = lambda most: 1
    player = Player(hw, settings(strings=[STRING, clocked], outputs_at_once=1))
    ask(player, "put 0 928e10a3 AQIDBAUGBwgJCgsMDQ4PEBESExQVFhcY")
    ask(player, "show 928e10a3")
    run(player, hw.true_us + 20_000)
    return {
        "out": [list(view) for view in hw.views],
        "bits_us": hw.bits_us,
        "resets_us": hw.resets_us,
        "lead_us": player.output.lead_us,
        "said": hw.said,
    }


def boot(start, cause):
    """Switched on with this start: what is lit after ten seconds."""
    hw = Hw(cause=cause == "power")
    player = Player(hw, settings(start=start))
    first = list(hw.sent[0][1])
    run(player, 6_000_000)
    return {"state": player.state, "said": hw.said, "first": first, "lit": hw.lit, "leds": len(hw.leds)}


def button():
    """Pressed to start, pressed to stop; between them the frame is lit."""
    hw = Hw()
    player = Player(hw, settings(button_pin=5, start="button"))
    states = []
    for at_ms, pressed in ((100, True), (300, False), (1200, True), (1300, False), (2500, True)):
        run(player, 1000 * at_ms)
        hw.pressed = pressed
        run(player, 1000 * at_ms + 100_000)
        states.append([player.state, hw.lit])
    return {"states": states, "said": hw.said}


def songs(pause_s, quiet):
    """The list without a computer: which file plays when, seconds."""
    hw = Hw(look_us=200)
    player = Player(
        hw,
        settings(
            songs=["a.roll", "broken.roll", "b.roll"], start="boot", pause_s=int(pause_s), quiet_look=quiet or None
        ),
    )
    seen = []
    hw.keep = hw.last
    while hw.true_us < 30_000_000:
        player.step()
        now = [player.file, player.state]
        if not seen or seen[-1][1] != now:
            seen.append([hw.true_us // 1000, now])
    return {"seen": seen, "said": hw.said}


def trouble(what):
    """Something goes wrong in the middle of the show."""
    hw = Hw()
    player = Player(hw, settings())
    ask(player, "cue a.roll")
    ask(player, "start 0")
    run(player, hw.true_us + 400_000)
    before = hw.lit
    hw.said.clear()
    if what == "page":  # what lies on the flash has changed
        player.show.roll._page_number = -1
        with open("a.roll", "r+b") as file:
            file.seek(player.show.roll.head.index_at)
            file.write(b"\xff")
    elif what == "bug":
        player.show.step = None
    elif what == "memory":

        def none(*_):
            raise MemoryError

        player.show.step = none
    elif what == "ctrl-c":

        def interrupt():
            raise KeyboardInterrupt

        hw.read = interrupt
        try:
            player.run()
        except KeyboardInterrupt:
            return {"before": before, "lit": hw.lit, "watching": hw.watching_ms, "said": hw.said}
    elif what == "silence":
        ask(player, "at 0.5")
        run(player, hw.true_us + 11_000_000)
        lost = [player.state, hw.lit]
        back = ask(player, "at 11.9")
        run(player, hw.true_us + 100_000)
        return {"before": before, "lost": lost, "said": hw.said, "back": back, "lit": hw.lit, "state": player.state}
    run(player, hw.true_us + 1_500_000)
    return {"before": before, "lit": hw.lit, "stopped": hw.said[0], "state": player.state, "leds": len(hw.leds)}


def wiring():
    """The wiring test: what is lit, in turn."""
    hw = Hw()
    player = Player(hw, settings())
    ask(player, "wiring 1")
    hw.sent.clear()
    run(player, hw.true_us + 4_000_000)
    frames = []
    for _, frame in hw.sent:
        if not frames or frames[-1] != list(frame):
            frames.append(list(frame))
    said = [line for line in hw.said if line.startswith("* wiring")]
    return {"frames": frames, "said": said, "end": ask(player, "wiring 0"), "lit": hw.lit}


def packets(*lines):
    """Packets as they come, and the answers."""
    hw = Hw()
    player = Player(hw, settings())
    out = []
    for line in lines:
        hw.answers.clear()
        hw.packets.append(line.encode())
        run(player, hw.true_us + 30_000)
        out.append([str(answer, "utf-8") for answer in hw.answers])
    return out


def acts(own, others, *steps):
    """Steps, and after each [state, file, lit, position in ms]; with `others`, settings of a listener, of both boards.

    + MS lets time pass, press MS holds the button, raw HEX and packet TEXT come in, break: the next look at the roll's
    index fails, ctrl-c N: so many, each where it hurts; other LINE is one to the listener; anything else is a line.
    """
    hw = Hw(look_us=100)
    boards = [Player(hw, settings(**json.loads(own)))]
    if others:
        hw.listeners = [Hw(look_us=100, first_ticks=77)]
        boards.append(Player(hw.listeners[0], settings(**json.loads(others))))
    player = boards[0]
    said = []
    for board in boards:
        board.hw.keep = first_of(board.hw)
        board.hw.log = []
        board.hw.write = log_of(board.hw)

    def wait(ms):
        until = hw.true_us + 1000 * ms
        while hw.true_us < until:
            min(boards, key=lambda board: board.hw.true_us).step()

    for step in steps:
        word, _, rest = step.partition(" ")
        if word == "+":
            wait(int(rest))
        elif word == "press":
            hw.pressed = True
            wait(int(rest))
            hw.pressed = False
        elif word == "break":

            def broken(_):
                raise OSError(5)

            player.show.roll._entry = broken
        elif word == "cut":  # the wire to the listener
            hw.listeners = []
        elif word == "mend":
            hw.listeners = [boards[1].hw]
        elif word == "stubborn":  # a watchdog that cannot be stopped
            hw.watchdog_off = lambda: False
        elif word == "ctrl-c":
            hw.read = hw.busy = interrupting(hw.busy, int(rest))
            try:
                player.run()
            except KeyboardInterrupt:
                pass
        else:
            if word == "raw":
                hw._input.extend(binascii.unhexlify(rest) + b"\n")
            elif word == "packet":
                hw.packets.append(rest.encode())
            elif word == "other":
                boards[1].hw.type(rest)
            else:
                hw.type(step)
            wait(20)
        said.append([[b.state, b.file, b.hw.lit, b.clock.ms] for b in boards])
    return {
        "steps": said,
        "said": [board.hw.log for board in boards],
        "answers": [str(answer, "utf-8") for answer in hw.answers],
        "watching": hw.watching_ms,
        "first": hw.first,
        "blinks": [at // 1000 for at, on in hw.leds if on],
        "reset": hw.was_reset,
    }


def interrupting(old, times):
    left = [times]

    def interrupt():
        if left[0]:
            left[0] -= 1
            raise KeyboardInterrupt
        return old()

    return interrupt


def first_of(hw):
    hw.first = None

    def keep(at_us, frame):
        hw.last(at_us, frame)
        if hw.first is None and any(frame):
            hw.first = list(frame)

    return keep


def log_of(hw):
    def write(buffer, n):
        hw.log.append([hw.true_us // 1000, str(bytes(buffer[:n]), "utf-8").strip()])

    return write


def alloc(groups, lines, *_files):
    """Bytes of memory that playing takes, lines read meanwhile: the most between two looks a frame apart."""
    import gc

    hw = Hw(look_us=2_000)
    player = Player(hw, settings())
    ask(player, "cue a.roll")
    ask(player, "start 0")
    run(player, hw.true_us + 600_000)

    class Quiet:
        pass

    line = b"at 0.9\n"
    at = [len(line)]
    ticks = [hw.true_us]

    def tick():
        ticks[0] = (ticks[0] + 500) & 0x3FFFFFFF
        return ticks[0]

    def diff(a, b):
        return a - b

    def none():
        return None

    def one(_):
        return None

    def two(_, n):
        return None

    def read():
        if at[0] < len(line):
            at[0] += 1
            return line[at[0] - 1]
        return -1

    still = Quiet()
    still.ticks, still.ticks_diff, still.read, still.write = tick, diff, read, two
    still.busy = still.send = still.feed = still.edge = still.button = still.receive = none
    still.led = still.sleep_ms = one
    player.hw = player.clock._hw = player.output._hw = player.alone.listener._hw = still
    player.clock._last = player._last = ticks[0]
    player.clock.start(player.clock.ms)
    gc.collect()
    gc.disable()
    begun = gc.mem_alloc()
    steps = 0
    group = player.show.roll.group
    while player.state == 2 and player.show.roll.group < group + int(groups):
        player.step()
        steps += 1
        if steps % 200 == 0 and lines == "1":
            at[0] = 0
    return {
        "bytes": gc.mem_alloc() - begun,
        "steps": steps,
        "state": player.state,
        "groups": player.show.roll.group - group,
    }


scene, folder = sys.argv[2], sys.argv[3]
os.chdir(folder)
print(json.dumps(globals()[scene](*sys.argv[4:])))
