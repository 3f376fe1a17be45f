"""One board with MicroPython on a serial port: its files, their hashes, what it is.

It is spoken to through MicroPython's raw REPL, which `mpremote` carries: a few functions are sent to the board once,
and called by lines of text. A board whose player runs is asked politely first (LINK.md), so a show is never cut off
without a word, and what is none of ours is left alone.

Conventions: names of files are relative to the root of the board's file system, with `/`. Sizes are bytes. Errors are
`BoardError`, sentences that begin with the port.
"""

from __future__ import annotations

import ast
import base64
import contextlib
import io
import re
import struct
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from .link.lines import Hello, answer_of, hello_of
from .link.wires import SerialWire, why_shut

Tell = Callable[[str, float], None]
"""Told what is being done and how far it is, 0-1."""

HELLO_S = 0.7  # a player answers between two frames; LINK.md section 1: 25 ms and a frame
PATIENCE_S = 12.0  # a board that restarts is back on its port by then (practice)
REPL_S = 3.0  # what the raw REPL is given to answer
WATCHDOG_S = 2.5  # a board whose watchdog cannot be stopped restarts within 2 s of `stop`
CHUNK_BYTES = 1_536  # of a file in one line of text, 2 KiB of base64
HASHED_BYTES = 128 << 10  # between two signs of life
SILENCE_S = 30.0  # a board that is silent for longer is gone
LET_GO_S = 0.1  # what the cable is given to carry the last words (practice)
PROMPT = ">>> "
BUSY = ("playing", "paused", "lost", "live", "wiring")

ON_THE_BOARD = """
import os,sys,gc,hashlib,binascii
def g_files(d,out):
 for e in os.ilistdir(d or '/'):
  p=d+'/'+e[0]
  if e[1]&0x4000:
   g_files(p,out)
  else:
   out.append((p[1:],os.stat(p)[6]))
 return out
def g_room():
 s=os.statvfs('/')
 return s[1]*s[3]
def g_hash(p):
 global g_h,g_f
 g_h=hashlib.sha256()
 g_f=open('/'+p,'rb')
def g_more(k):
 b=bytearray(1024)
 m=memoryview(b)
 while k>0:
  n=g_f.readinto(b)
  if not n:
   g_f.close()
   return binascii.hexlify(g_h.digest()).decode()
  g_h.update(m[:n])
  k-=n
 return ''
def g_read(p,at,n):
 with open('/'+p,'rb') as f:
  f.seek(at)
  return binascii.b2a_base64(f.read(n)).decode()
def g_open(p):
 global g_f
 d=p.find('/')
 while d>0:
  try:
   os.stat('/'+p[:d])
  except OSError:
   os.mkdir('/'+p[:d])
  d=p.find('/',d+1)
 g_f=open('/'+p,'wb')
def g_put(t):
 g_f.write(binascii.a2b_base64(t))
def g_close():
 g_f.close()
 if hasattr(os,'sync'):
  os.sync()
def g_move(a,b):
 try:
  os.rename('/'+a,'/'+b)
 except OSError as e:
  if e.args[0]!=17:
   raise
  os.remove('/'+b)
  os.rename('/'+a,'/'+b)
def g_drop(p):
 os.remove('/'+p)
 d=p.rfind('/')
 if d>0:
  try:
   os.rmdir('/'+p[:d])
  except OSError:
   pass
gc.collect()
"""


class BoardError(Exception):
    """Something went wrong with a board; the text is a sentence that begins with its port."""


class NoMicroPython(BoardError):
    """Nothing on the port answers as MicroPython does."""


class BoardFull(BoardError):
    """The board's file system has no room left."""


class Unplugged(BoardError):
    """The port went away, or the board fell silent."""


# ---- politely ---------------------------------------------------------------------------------------------------


def hello(port: str) -> Hello | None:
    """Who answers `hello` on a port; None where no player does. Raises `BoardError` if it cannot be opened."""
    return greet(port)[0]


def greet(port: str) -> tuple[Hello | None, bool]:
    """Who answers `hello` on a port, and whether MicroPython's prompt does: then nothing runs there that one could
    break. Raises `BoardError` if it cannot be opened."""
    with _wire(port) as wire:
        said: list[str] = []
        words = _asked(wire, "hello", HELLO_S, said)
        return (hello_of(words[1:]) if words else None), any(PROMPT in line for line in said)


def stop(port: str) -> str:
    """Stop a player: the name of the roll that it was showing, '' where it showed none. Raises `BoardError`."""
    with _wire(port) as wire:
        words = _asked(wire, "state", HELLO_S) or []
        if len(words) < 2 or words[1] not in BUSY:
            return ""
        if (_asked(wire, "stop", HELLO_S) or ["no"])[0] != "ok":
            raise BoardError(f"{port}: the board is {words[1]} and does not stop: unplug it and plug it in again")
        return " ".join(words[6:]) or "live frames"


def ask(port: str, line: str) -> list[str]:
    """Ask a player one thing: the words of its answer, "ok" or "no" first. Raises `BoardError` for silence."""
    with _wire(port) as wire:
        words = _asked(wire, line, HELLO_S)
    if words is None:
        raise Unplugged(f"{port}: the player does not answer")
    return words


def await_player(port: str, patience_s: float) -> Hello | None:
    """Who answers on a port after a restart, as soon as somebody does; None where nobody has in time."""
    end_s = time.monotonic() + patience_s
    while time.monotonic() < end_s:
        with contextlib.suppress(BoardError):
            found = hello(port)
            if found is not None:
                return found
        time.sleep(0.2)
    return None


@contextlib.contextmanager
def _wire(port: str) -> Iterator[SerialWire]:
    try:
        wire = SerialWire(port)
    except OSError as error:
        raise BoardError(f"{port}: cannot be opened: {why_shut(error)}") from None
    try:
        yield wire
    except OSError:
        raise Unplugged(f"{port}: the board went away") from None
    finally:
        wire.close()


def _asked(wire: SerialWire, line: str, patience_s: float, others: list[str] | None = None) -> list[str] | None:
    """The words of an answer, "ok" or "no" first; None where none came. `others` takes what was said besides.

    MicroPython's prompt gives the line back: then no player is there to answer, and nothing more is waited for.
    """
    wire.send("")  # ends whatever half line somebody left there
    wire.send(line)
    end_s = time.monotonic() + patience_s
    while time.monotonic() < end_s:
        for _, said in wire.receive():
            words = answer_of(said, line.split(" ")[0])
            if words is not None:
                return words
            if others is not None:
                others.append(said)
            if said.endswith(PROMPT + line):
                return None
        time.sleep(0.005)
    return None


# ---- by the raw REPL --------------------------------------------------------------------------------------------


class MpBoard:
    """A board at its raw REPL: whatever ran on it has ended. Use as a context: at its end the board is restarted."""

    def __init__(self, port: str, patience_s: float = PATIENCE_S) -> None:
        """Raises `BoardError`; `NoMicroPython` where nothing answers within `patience_s`."""
        self.port = port
        self._transport: Any = None
        self._within = False  # something may have been broken off in the middle of a line or of an answer
        end_s = time.monotonic() + patience_s
        while True:
            try:
                self._enter()
                break
            except BoardError:
                self._hang_up()
                if time.monotonic() >= end_s:
                    raise
                time.sleep(0.3)
            except KeyboardInterrupt:
                self._within = True
                self.restart()
                raise
        try:
            self._run(ON_THE_BOARD)
            self.machine = str(self._value("os.uname().machine"))
        except (BoardError, KeyboardInterrupt):
            self.restart()
            raise

    def _enter(self) -> None:
        from mpremote.transport import TransportError
        from mpremote.transport_serial import SerialTransport

        try:
            self._transport = SerialTransport(self.port)
        except (OSError, TransportError) as error:
            raise BoardError(f"{self.port}: cannot be opened: {why_shut(error)}") from None
        # Else a read waits for ever. On a pseudo-terminal, mpremote notices its own limits only as often as this.
        self._transport.serial.timeout = 0.5
        self._transport.serial.write_timeout = REPL_S
        said = io.StringIO()
        try:
            with contextlib.redirect_stdout(said):  # mpremote prints what it did not expect
                self._transport.enter_raw_repl(timeout_overall=REPL_S)
            self._transport.serial.timeout = 10.0
        except TransportError:
            raise NoMicroPython(f"{self.port}: no MicroPython answers there") from None
        except OSError:
            raise Unplugged(f"{self.port}: the board went away") from None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.restart()

    def _hang_up(self) -> None:
        if self._transport is not None:
            with contextlib.suppress(OSError):
                self._transport.close()
            with contextlib.suppress(OSError):
                self._transport.serial.close()
            self._transport = None

    def _run(self, code: str) -> bytes:
        from mpremote.transport import TransportError

        if self._transport is None:
            raise Unplugged(f"{self.port}: the board was let go")
        self._within = True
        try:
            with contextlib.redirect_stdout(io.StringIO()):
                said, trouble = self._transport.exec_raw(code, timeout=SILENCE_S)
            self._within = False
        except (TransportError, OSError, struct.error):
            self._hang_up()
            raise Unplugged(f"{self.port}: the board went away") from None
        if not trouble:
            return bytes(said)
        why = (trouble.decode(errors="replace").strip().splitlines() or ["an error"])[-1]
        if re.search(r"\b28\b|ENOSPC", why):  # OSError 28 is ENOSPC, by number or by name as the board has it
            raise BoardFull(f"{self.port}: the board's file system is full")
        raise BoardError(f"{self.port}: the board says {why}")

    def _value(self, expression: str) -> Any:
        said = self._run(f"print(repr({expression}))")
        try:
            return ast.literal_eval(said.decode().strip())
        except (ValueError, SyntaxError):
            raise BoardError(f"{self.port}: the board answers {said[:80]!r}") from None

    # ---- files ----

    def files(self) -> dict[str, int]:
        """Every file on the board by name, with its size."""
        return {str(name): int(size) for name, size in self._value("g_files('',[])")}

    def free_bytes(self) -> int:
        """Bytes free on the board's file system."""
        return int(self._value("g_room()"))

    def sha256(self, name: str) -> str:
        """A file's SHA-256 in hexadecimal, worked out on the board from what its flash gives back."""
        self._run(f"g_hash({name!r})")
        while True:
            found = str(self._value(f"g_more({HASHED_BYTES})"))
            if found:
                return found

    def read(self, name: str, size: int) -> bytes:
        """The first `size` bytes of a file, or all there are."""
        out = bytearray()
        while len(out) < size:
            piece = base64.b64decode(self._value(f"g_read({name!r},{len(out)},{min(CHUNK_BYTES, size - len(out))})"))
            if not piece:
                break
            out += piece
        return bytes(out)

    def write(self, name: str, data: bytes, tell: Callable[[int], None] = lambda done: None) -> None:
        """Write a file, its folders made; whatever had the name is gone. `tell`: bytes written so far."""
        self._run(f"g_open({name!r})")
        for at in range(0, len(data), CHUNK_BYTES):
            text = base64.b64encode(data[at : at + CHUNK_BYTES]).decode()
            self._run(f"g_put('{text}')")
            tell(min(at + CHUNK_BYTES, len(data)))
        self._run("g_close()")

    def move(self, name: str, to: str) -> None:
        """Rename a file over another. On littlefs, which these boards have, that happens wholly or not at all.

        FAT refuses (EEXIST, 17): there the old file goes first, and the new one lies under `name` until it is renamed.
        """
        self._run(f"g_move({name!r},{to!r})")

    def remove(self, name: str) -> None:
        """Remove a file, and its folder where that is empty then."""
        self._run(f"g_drop({name!r})")

    def restart(self) -> None:
        """Restart the board, which starts its main.py, and let go of the port."""
        if self._transport is not None:
            with contextlib.suppress(Exception):  # it may be gone before it has answered
                if self._within:  # Ctrl-C: the board waits for the rest, or works on
                    self._transport.serial.timeout = 0.5
                    with contextlib.redirect_stdout(io.StringIO()):
                        self._transport.enter_raw_repl(soft_reset=False, timeout_overall=REPL_S)
                self._transport.exec_raw_no_follow("import machine\nmachine.reset()")
                time.sleep(LET_GO_S)
        self._hang_up()


# ---- boards without MicroPython ---------------------------------------------------------------------------------


def bootloader_drives(folders: Iterable[Path] | None = None) -> list[tuple[Path, str]]:
    """USB drives of boards that wait for a program: (where, model).

    RP2040 datasheet, "The RPI-RP2 Drive": it has an INFO_UF2.TXT, which describes the bootloader; its line `Model: ...`
    names the board (practice of every UF2 bootloader). `folders`: where drives appear.
    """
    found = []
    for folder in _mounts() if folders is None else folders:
        with contextlib.suppress(OSError):
            text = (folder / "INFO_UF2.TXT").read_text(encoding="utf-8", errors="replace")[:1000]
            model = re.search(r"^Model:\s*(.+?)\s*$", text, re.MULTILINE)
            found.append((folder, model[1] if model else "unknown"))
    return found


def _mounts() -> list[Path]:
    patterns = ("media/*", "media/*/*", "run/media/*/*", "mnt/*", "Volumes/*")
    out = [path for pattern in patterns for path in Path("/").glob(pattern)]
    return out + [Path(f"{letter}:/") for letter in "DEFGHIJKLMNOPQRSTUVWXYZ"]


def advice_without_micropython(port: str, drives: Iterable[tuple[Path, str]] = ()) -> str:
    """What to do with a board on which no MicroPython answers."""
    lines = [f"{port}: no MicroPython answers there."]
    for folder, model in drives:
        lines.append(f"The drive {folder} is a board's bootloader ({model}): copy MicroPython's .uf2 for it there.")
    lines.append(
        "A Pico: hold its BOOTSEL button while you plug it in, and copy MicroPython's .uf2 to the drive that appears. "
        "An ESP32: write MicroPython's .bin with esptool. Both are on micropython.org, under Downloads. Is another "
        "program using the port? Close it."
    )
    return " ".join(lines)
