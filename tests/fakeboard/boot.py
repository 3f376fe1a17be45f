# Runs in MicroPython's unix port, before its own REPL: gives it the flash, `machine` and `os.uname` of a board.
# Arguments: the flash image (named .fat for FAT instead of littlefs), what os.uname().machine is, and what to do:
# "main", "again" (main after a reset by software), "prompt", "format", "dump", "fill FILE".
import binascii
import collections
import json
import os
import sys

import vfs

image, name, what = sys.argv[1:4]
BLOCK, FileSystem = (512, vfs.VfsFat) if image.endswith(".fat") else (4096, vfs.VfsLfs2)
host = vfs.VfsPosix("/")


class Flash:
    """A block device, as docs.micropython.org has it under "Working with filesystems"."""

    def __init__(self, path):
        self.file = open(path, "r+b")
        self.blocks = self.file.seek(0, 2) // BLOCK

    def readblocks(self, block, buf, offset=0):
        self.file.seek(block * BLOCK + offset)
        self.file.readinto(buf)

    def writeblocks(self, block, buf, offset=0):
        self.file.seek(block * BLOCK + offset)
        self.file.write(buf)

    def ioctl(self, op, arg):
        if op == 4:
            return self.blocks
        if op == 5:
            return BLOCK
        return 0  # no need to erase a file


class Pin:
    """A pin with nothing on it."""

    IN, OUT, PULL_UP, PULL_DOWN, IRQ_RISING, IRQ_FALLING = range(6)

    def __init__(self, number, *how, value=0):
        self.level = 1 if self.PULL_UP in how else value

    def value(self, level=None):
        if level is None:
            return self.level
        self.level = level

    def irq(self, *how):
        pass


class Watchdog:
    def __init__(self, timeout):
        pass

    def feed(self):
        pass


class Machine:
    """As much of `machine` as a player on an ESP32 asks for."""

    Pin, WDT = Pin, Watchdog
    PWRON_RESET, SOFT_RESET = 1, 5

    def reset(self):
        sys.exit(42)  # the terminal's other end knows what that means

    def reset_cause(self):
        return self.PWRON_RESET if what == "main" else self.SOFT_RESET

    def bitstream(self, pin, encoding, timing, data):
        pass


def walk(folder, out):
    for row in os.ilistdir(folder or "/"):
        path = folder + "/" + row[0]
        if row[1] & 0x4000:
            walk(path, out)
        else:
            with open(path, "rb") as file:
                out[path[1:]] = binascii.hexlify(file.read()).decode()
    return out


def fill(files):
    for path, data in files.items():
        parts = path.split("/")
        for i in range(1, len(parts)):
            try:
                os.mkdir("/" + "/".join(parts[:i]))
            except OSError:
                pass
        with open("/" + path, "wb") as file:
            file.write(binascii.unhexlify(data))


if what == "fill":
    with open(sys.argv[4]) as file:
        wanted = json.load(file)
flash = Flash(image)
if what == "format":
    FileSystem.mkfs(flash)
    sys.exit(0)
vfs.umount("/")
vfs.mount(FileSystem(flash), "/")
os.chdir("/")
if what == "dump":
    print(json.dumps(walk("", {})))
    sys.exit(0)
if what == "fill":
    fill(wanted)
    sys.exit(0)


class Os:
    pass


board_os = Os()
for key in dir(os):
    if not key.startswith("__"):
        setattr(board_os, key, getattr(os, key))
Uname = collections.namedtuple("uname", ("sysname", "machine"))
board_os.uname = lambda: Uname("rp2", name)
sys.modules["os"] = board_os
sys.modules["machine"] = Machine()
sys.path[:] = ["/"]
if what in ("main", "again") and "main.py" in os.listdir("/"):
    with open("/main.py") as file:
        code = file.read()
    exec(code, {"__name__": "__main__"})
