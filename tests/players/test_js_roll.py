"""The JavaScript decoder, run by node, against rolls worked by hand, the reader in Python, and zlib's inflate.

Whatever is done to a roll, both readers refuse it alike, or hold the same groups broken and show the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from c_kit import Chain, Made, every_arrangement, made_roll, quoting_roll, stored, strings_of

from exporters.rollfile import Draw, RollHeader, RollReader, RollWriter, StringSpec
from exporters.spec import HEADER, LAST_BLOCK, RollBroken, RollError, width

HERE = Path(__file__).parent
TRUTH = HERE.parent / "exporters" / "truth"
NODE = shutil.which("node")

pytestmark = pytest.mark.skipif(NODE is None, reason="node is not installed: the JavaScript decoder is not run")

STRINGS = (
    StringSpec("rail", 16, None, 5, 3, "grb", "ws2812b"),
    StringSpec("lamp", 2, 3, 2, 4, "bgrw", "sk6812-rgbw"),
)
SHOW = RollHeader(
    "Ebbe über Nacht",
    "quay",
    1_000_000,
    "5a" * 32,
    STRINGS,
    (("shed", 1500),),
    (Draw("lamp", "shed", 0, 2, 900, 9_000),),
)


def node(verb: str, *words: object) -> list[Any]:
    """The lines of JSON that the decoder answers."""
    command = [str(NODE), str(HERE / "js_runner.mjs"), verb, *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def played(path: Path) -> dict[str, Any]:
    """The same as the runner's `played`, by the reader in Python: a refusal, or a hash a group, None where broken."""
    try:
        reader = RollReader(path)
    except RollError as error:
        return {"refused": str(error)}
    groups: list[str | None] = []
    with reader:
        for number in range(len(reader)):
            try:
                groups.append(hashlib.sha256(reader.group(number).tobytes()).hexdigest())
            except RollBroken:
                groups.append(None)
    return {"groups": groups}


def agree(js: dict[str, Any], python: dict[str, Any]) -> bool:
    """Both refused, in whatever words, or both show the same groups."""
    return ("refused" in js) == ("refused" in python) and js.get("groups") == python.get("groups")


def frames_of(group: int) -> np.ndarray:
    """Groups 0 and 2 are the same; 1 hardly changes what stood before, so that quotes hold it; 3 is noise."""
    noise = np.random.default_rng({0: 1, 1: 1, 2: 1, 3: 4}[group]).integers(0, 256, (6, SHOW.frame_bytes), np.uint8)
    if group != 1:
        return noise
    frames = np.tile(noise[-1], (6, 1))
    frames[3:, 4] += 1
    return frames


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small roll of four groups of 6 ms, in three units: the second is quotes, and leans on the first."""
    chain, alone = Chain(SHOW.frame_bytes), Chain(SHOW.frame_bytes)
    units = [chain.add(frames_of(0), 16), chain.add(frames_of(1), 26), alone.add(frames_of(3), 9)]
    assert [(unit.how, unit.depth) for unit in units] == [(16, 0), (26, 1), (9, 0)]
    path = tmp_path_factory.mktemp("roll") / "a.roll"
    path.write_bytes(made_roll(SHOW, units, [(0, 0, 6), (1, 0, 6), (0, 0, 6), (2, 0, 6)]))
    return path


# ---- worked by hand ---------------------------------------------------------------------------------------------

# ROLL.md, section 15: when each frame of the worked roll is due, and what it holds.
TIDE = [
    (0, [10, 0, 5, 10, 200, 5]),
    (125_000, [20, 0, 5, 20, 200, 5]),
    (250_000, [30, 0, 5, 30, 200, 5]),
    (375_000, [40, 0, 5, 40, 200, 5]),
    (500_000, [40, 200, 5, 40, 200, 5]),
    (700_000, [40, 200, 5, 40, 200, 5]),
    (766_666, [0, 0, 0, 255, 255, 255]),
    (833_333, [10, 0, 5, 10, 200, 5]),
    (937_499, [20, 0, 5, 20, 200, 5]),
    (1_041_666, [30, 0, 5, 30, 200, 5]),
    (1_145_833, [40, 0, 5, 40, 200, 5]),
]


@pytest.fixture(scope="module")
def tide(tmp_path_factory: pytest.TempPathFactory) -> Path:
    lines = (TRUTH / "roll_tide.hex").read_text().splitlines()
    path = tmp_path_factory.mktemp("tide") / "tide.roll"
    path.write_bytes(bytes.fromhex(" ".join(line for line in lines if not line.startswith("#"))))
    return path


def test_the_roll_worked_by_hand_shows_each_frame_when_it_is_due(tide: Path) -> None:
    times = [us for us, _ in TIDE]
    [frames] = node("at", tide, json.dumps(times))
    assert [frame for frame, _ in frames] == [frame for _, frame in TIDE]
    [earlier] = node("at", tide, json.dumps([us - 1 for us in times[1:]]))
    assert [frame for frame, _ in earlier] == [TIDE[i][1] for i in range(len(TIDE) - 1)]


def test_it_is_dark_before_the_show_and_from_its_end_on(tide: Path) -> None:
    [frames] = node("at", tide, json.dumps([-1, 1_250_000, 9_999_999_999, 1_249_999]))
    assert frames[:3] == [[[0] * 6, None]] * 3
    assert frames[3] == [[40, 0, 5, 40, 200, 5], {"group": 3, "frame": 3}]


def test_the_header_of_the_roll_worked_by_hand(tide: Path) -> None:
    [header] = node("header", tide)
    assert header["title"] == "Tide" and header["controller"] == "quay"
    assert header["songUs"] == 1_250_000 and header["frameBytes"] == 6
    assert header["songSha256"] == hashlib.sha256(b"abc").hexdigest()  # FIPS 180-4's example
    assert header["strings"] == [
        {
            "name": "rail",
            "chip": "ws2812b",
            "pin": 16,
            "clockPin": None,
            "pixels": 2,
            "order": "grb",
            "first": 0,
            "bytes": 6,
        }
    ]
    assert header["supplies"] == [{"name": "shed", "milliamps": 1500}]
    assert header["groups"][1] == {"startUs": 500_000, "endUs": 700_000, "unit": 1, "first": 0, "frames": 4}


UNITS: list[dict[str, Any]] = json.loads((TRUTH / "roll_units.json").read_text())["units"]


def chain_of(unit: dict[str, Any]) -> list[dict[str, Any]]:
    """The units that one worked by hand leans on, from depth 0 on."""
    before = unit["before"]
    rows = [] if before is None else [{"how": 16, "frames": 1, "arranged": before, "shown": [before]}]
    chain: list[dict[str, Any]] = unit.get("leans_on", rows)
    return chain


def bytes_of(unit: dict[str, Any]) -> bytes | None:
    return None if unit["shown"] == "broken" else b"".join(map(bytes, unit["shown"]))


def test_units_worked_by_hand(tmp_path: Path) -> None:
    lines = []
    for unit in UNITS:
        chain = chain_of(unit)
        kept = [one for one in chain[-1:] if one["how"] == 16 or one["how"] >= 24]  # section 9: frames as they are sent
        line = {
            **{name: unit[name] for name in ("how", "frames", "frame_bytes")},
            "before": bytes(unit["before"] or [0] * unit["frame_bytes"]).hex(),
            "history": b"".join(bytes_of(one) or b"" for one in kept).hex(),
            "arranged": bytes(unit["arranged"]).hex(),
        }
        lines.append(json.dumps(line))
    file = tmp_path / "units"
    file.write_text("\n".join(lines))
    got = node("units", file)
    assert {unit["name"]: one for unit, one in zip(UNITS, got, strict=True)} == {
        unit["name"]: "broken" if unit["shown"] == "broken" else (bytes_of(unit) or b"").hex() for unit in UNITS
    }


def test_units_worked_by_hand_in_rolls(tmp_path: Path) -> None:
    """Each after the units that it leans on, the last one first, so that it is entered in the middle of its chain."""
    paths: list[Path] = []
    wanted = {}
    for unit in UNITS:
        if unit["frame_bytes"] == 5:  # no pixels of three and four letters have five bytes
            continue
        chain = [*chain_of(unit), unit]
        made = [
            Made(one["frames"], depth, one["how"], stored(bytes(one["arranged"]))) for depth, one in enumerate(chain)
        ]
        groups = [(number, 0, chain[number]["frames"]) for number in reversed(range(len(chain)))]
        header = RollHeader("", "q", 0, "00" * 32, strings_of(unit["frame_bytes"]))
        paths.append(tmp_path / f"{len(paths)}.roll")
        paths[-1].write_bytes(made_roll(header, made, groups))
        shows = [bytes_of(one) for one in reversed(chain)]
        wanted[unit["name"]] = {"groups": [None if one is None else hashlib.sha256(one).hexdigest() for one in shows]}
    assert dict(zip(wanted, node("many", *paths), strict=True)) == wanted
    assert dict(zip(wanted, map(played, paths), strict=True)) == wanted


def test_the_checksum_of_the_nine_digits() -> None:
    assert node("crc", "123456789") == [0xCBF43926]  # ROLL.md, section 1


# ---- against the reader in Python -------------------------------------------------------------------------------


def test_groups_of_a_written_roll_byte_for_byte(sound: Path) -> None:
    expected = [hashlib.sha256(frames_of(group).tobytes()).hexdigest() for group in range(4)]
    assert node("play", sound) == [{"groups": expected}]
    assert node("faults", sound) == [[]]
    [header] = node("header", sound)
    assert header["title"] == SHOW.title
    assert [string["clockPin"] for string in header["strings"]] == [None, 3]


def test_groups_can_be_entered_in_any_order(sound: Path) -> None:
    order = [3, 1, 2, 0, 1, 3, 3, 2]
    assert node("jump", sound, json.dumps(order)) == [
        [hashlib.sha256(frames_of(group).tobytes()).hexdigest() for group in order]
    ]


def test_rolls_of_a_baked_show_byte_for_byte(baked: Path) -> None:
    rolls = sorted((baked / "out").glob("*/*.roll"))
    assert len(rolls) >= 1
    assert node("many", *rolls) == [played(path) for path in rolls]


def test_a_roll_of_many_pages_and_chains(tmp_path: Path) -> None:
    path = tmp_path / "long.roll"
    noise = np.random.default_rng(7)
    with RollWriter(path, SHOW, groups=70, unit_bytes=600) as writer:
        for group in range(70):
            frames = noise.integers(0, 4, (12, SHOW.frame_bytes), np.uint8) * np.uint8(group % 7 + 1)
            writer.add(group * 300_000, (group + 1) * 300_000, frames)
    with RollReader(path) as reader:
        assert max(unit.depth for unit in reader.units) > 1
    expected = played(path)
    assert None not in expected["groups"]
    assert node("play", path) == [expected]


@pytest.mark.parametrize("frame_bytes", [3, 7, 64, 301])
def test_every_arrangement_byte_for_byte(frame_bytes: int, tmp_path: Path) -> None:
    header = RollHeader("", "q", 0, "00" * 32, strings_of(frame_bytes))
    data, frames = every_arrangement(header)
    path = tmp_path / "all.roll"
    path.write_bytes(data)
    with RollReader(path) as reader:
        ends = np.cumsum([group.frames for group in reader.groups])[:-1]
    expected = [hashlib.sha256(part.tobytes()).hexdigest() for part in np.split(frames, ends)]
    assert node("play", path) == [{"groups": expected}]


@pytest.mark.parametrize("frame_bytes", [6, 7, 10, 301])
def test_quotes_by_lot_are_shown_as_by_the_other_reader_wherever_they_are_entered(
    frame_bytes: int, tmp_path: Path
) -> None:
    """Of any step and distance, in chains with other kinds among them; also entered in their middle."""
    paths = []
    for seed in range(6):
        for jumps in (0, 60):
            paths.append(tmp_path / f"{seed}-{jumps}.roll")
            paths[-1].write_bytes(quoting_roll(seed, frame_bytes, jumps=jumps))
    expected = [played(path) for path in paths]
    assert all(None not in one["groups"] for one in expected)
    assert node("many", *paths) == expected


# ---- damage -----------------------------------------------------------------------------------------------------


def test_every_flipped_bit_is_answered_as_by_the_other_reader(sound: Path, tmp_path: Path) -> None:
    data = bytearray(sound.read_bytes())
    path = tmp_path / "flipped.roll"
    answers = node("flips", sound)
    assert len(answers) == 8 * len(data)
    for bit, answer in enumerate(answers):
        data[bit // 8] ^= 1 << bit % 8
        path.write_bytes(data)
        assert agree(answer, played(path)), (bit, answer, played(path))
        data[bit // 8] ^= 1 << bit % 8
        assert "refused" in answer or None in answer["groups"]


def test_every_truncation_is_refused(sound: Path) -> None:
    answers = node("cuts", sound)
    assert len(answers) == sound.stat().st_size
    assert all(list(answer) == ["refused"] for answer in answers)


def test_a_roll_that_has_grown_is_refused(sound: Path, tmp_path: Path) -> None:
    path = tmp_path / "grown.roll"
    path.write_bytes(sound.read_bytes() + b"\0")
    [answer] = node("play", path)
    assert answer["refused"].startswith("cut short or grown")


def test_heads_that_lie_under_a_sound_checksum_are_answered_as_by_the_other_reader(sound: Path, tmp_path: Path) -> None:
    """A byte or two of the head anew, and the checksums of its page and of itself put right."""
    data = sound.read_bytes()
    with RollReader(sound) as reader:
        end = min(unit.payload_at for unit in reader.units)
    page_at = end - 4 - 4 - 4 - 4 * 8
    chance = np.random.default_rng(11)
    paths = []
    for number in range(600):
        lie = bytearray(data)
        for _ in range(number % 2 + 1):
            at = int(chance.integers(4, end - 8))
            lie[at] = (0, 1, 2, 127, 255, int(chance.integers(256)))[int(chance.integers(6))]
        lie[end - 8 : end - 4] = zlib.crc32(lie[page_at : end - 8]).to_bytes(4, "little")
        lie[end - 4 : end] = zlib.crc32(lie[: end - 4]).to_bytes(4, "little")
        paths.append(tmp_path / f"{number}.roll")
        paths[-1].write_bytes(lie)
    answers = node("many", *paths)
    expected = [played(path) for path in paths]
    assert [path.name for path, a, b in zip(paths, answers, expected, strict=True) if not agree(a, b)] == []
    refused = sum("refused" in answer for answer in answers)
    assert 100 < refused < 600


@pytest.mark.parametrize("off_by", [-1, 1])
def test_most_unit_bytes_that_the_units_do_not_have_is_refused(sound: Path, tmp_path: Path, off_by: int) -> None:
    data = bytearray(sound.read_bytes())
    most = 6 * SHOW.frame_bytes
    assert int.from_bytes(data[24:28], "little") == most  # section 3
    data[24:28] = (most + off_by).to_bytes(4, "little")
    with RollReader(sound) as reader:
        end = min(unit.payload_at for unit in reader.units)
    data[end - 4 : end] = zlib.crc32(data[: end - 4]).to_bytes(4, "little")
    path = tmp_path / "most.roll"
    path.write_bytes(data)
    refused = {"refused": f"most_unit_bytes is {most + off_by}, the units have {most}"}
    assert node("play", path) == [refused] == [played(path)]


@pytest.mark.parametrize("data", [b"", b"R", b"ROLX" + bytes(200), b"RIFF" + bytes(200), bytes(300)])
def test_what_is_not_a_roll_is_called_that(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "no.roll"
    path.write_bytes(data)
    assert node("play", path) == [{"refused": "not a roll: it does not begin with ROLL"}]


def test_another_version_is_named(sound: Path, tmp_path: Path) -> None:
    data = bytearray(sound.read_bytes())
    data[4] = 3
    path = tmp_path / "next.roll"
    path.write_bytes(data)
    assert node("play", path) == [{"refused": "a roll of version 3; this reader knows version 2"}]
    assert width(HEADER) == 68


# ---- inflate, against zlib --------------------------------------------------------------------------------------

STRATEGIES = (zlib.Z_DEFAULT_STRATEGY, zlib.Z_FILTERED, zlib.Z_HUFFMAN_ONLY, zlib.Z_RLE, zlib.Z_FIXED)


def payload_of(body: bytes, window: bytes, level: int, strategy: int) -> bytes:
    packer = zlib.compressobj(level, zlib.DEFLATED, -13, 8, strategy, zdict=window)
    half = len(body) // 2
    packed = packer.compress(body[:half]) + packer.flush(zlib.Z_FULL_FLUSH) + packer.compress(body[half:-1])
    return (packed + packer.flush(zlib.Z_SYNC_FLUSH))[:-4] + LAST_BLOCK + body[-1:]


def bodies() -> list[bytes]:
    noise = np.random.default_rng(3)
    return [
        b"a",
        bytes(5000),
        bytes(range(256)) * 30,
        noise.integers(0, 256, 3000, np.uint8).tobytes(),
        noise.geometric(0.3, 9000).astype(np.uint8).tobytes(),
        # Codes longer than the decoder's quick table: frequencies that double from symbol to symbol.
        noise.permutation(np.repeat(np.arange(15, dtype=np.uint8), 2 ** np.arange(15))).tobytes(),
        b"the tide comes in, the tide goes out, " * 90,
    ]


def test_inflate_gives_what_zlib_packed(tmp_path: Path) -> None:
    jobs, expected = [], []
    for body in bodies():
        for window in (b"", b"the tide comes in" * 40, bytes(8192)):
            for level, strategy in [(level, 0) for level in (0, 1, 6, 9)] + [(6, way) for way in STRATEGIES]:
                payload = payload_of(body, window, level, strategy)
                jobs.append({"payload": payload.hex(), "window": window.hex(), "most": len(body), "reach": 8192})
                expected.append(body.hex())
    file = tmp_path / "jobs"
    file.write_text("\n".join(map(json.dumps, jobs)))
    assert node("inflate", file) == expected


def test_inflate_refuses_what_zlib_refuses_and_never_takes_a_wrong_end(tmp_path: Path) -> None:
    """Each bit of a payload flipped. Where zlib finds fault, so does the decoder, and where not, both give the same,
    or the decoder finds that the end is not that of a payload."""
    body = b"the tide comes in, the tide goes out" * 3 + bytes(range(40))
    payloads = [payload_of(body, b"", level, 0) for level in (0, 6)] + [payload_of(body, b"", 6, zlib.Z_FIXED)]
    jobs: list[dict[str, Any]] = []
    expected: list[str | None] = []
    for payload in payloads:
        for bit in range(8 * len(payload)):
            damaged = bytearray(payload)
            damaged[bit // 8] ^= 1 << bit % 8
            jobs.append({"payload": damaged.hex(), "window": "", "most": len(body), "reach": 8192})
            inflater = zlib.decompressobj(-13)
            try:
                held = inflater.decompress(bytes(damaged), len(body) + 1)
            except zlib.error:
                expected.append(None)
            else:
                expected.append(None if inflater.eof or len(held) > len(body) else held.hex())
    file = tmp_path / "jobs"
    file.write_text("\n".join(map(json.dumps, jobs)))
    answers = node("inflate", file)
    ends = ("the payload does not end in a stored byte", "the payload is not deflate: it ends within a block")
    for answer, wanted in zip(answers, expected, strict=True):
        refusal = answer["refused"] if isinstance(answer, dict) else None
        assert answer == wanted or refusal is not None and (wanted is None or refusal.startswith(ends))
    assert sum(isinstance(answer, str) for answer in answers) > 50


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        ("010100feff41", "final block"),  # a stored block marked final
        ("06000100feff41", "no fourth kind of block"),
        ("000100feff", "stored block without its length"),  # its byte is missing
        ("000100fffe41", "stored block without its length"),  # its inverse differs
        ("", "does not end in a stored byte"),
        ("000000ffff", "does not end in a stored byte"),  # an empty stored block
        ("000200fdff4142", "does not end in a stored byte"),  # two bytes in the last block
        ("000100feff41000100feff42", "more than it may"),  # two bytes where one is allowed
    ],
)
def test_payloads_that_break_the_rules_of_section_9(tmp_path: Path, payload: str, why: str) -> None:
    file = tmp_path / "job"
    file.write_text(json.dumps({"payload": payload, "window": "", "most": 1 if "more" in why else 9, "reach": 4096}))
    [answer] = node("inflate", file)
    assert why in answer["refused"]


def test_a_stored_byte_alone_is_a_payload(tmp_path: Path) -> None:
    file = tmp_path / "job"
    file.write_text(json.dumps({"payload": "000100feff41", "window": "", "most": 1, "reach": 4096}))
    assert node("inflate", file) == ["41"]
