"""The sound as a clock: a sound card of the test's own, whose time and latency are known."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from shows import make_show, tune

from composer.faults import Faults
from composer.night import sound as sounds
from composer.night.sound import Card, Silent, load_samples

RATE = 1000


class PortAudioError(Exception):
    """As sounddevice has it."""


class FakeCard:
    """A card with `latency` seconds between asking for samples and their sound. `play` lets time go by."""

    def __init__(self, latency: float = 0.08, says_when: bool = True, jitter: tuple[float, ...] = (0.0,)) -> None:
        self.latency_s, self.says_when, self.jitter = latency, says_when, jitter
        self.time = 50.0
        self.heard: list[np.ndarray] = []
        self.PortAudioError = PortAudioError
        self.stream: SimpleNamespace | None = None
        self.closed = self.gone = False
        self._blocks = 0
        self.devices = "> 0 Built-in Output"

    def query_devices(self) -> str:
        return self.devices

    def OutputStream(self, *, samplerate: int, channels: int, callback: Callable[..., None], **more: object) -> object:  # noqa: N802
        if more["device"] == "Gone":
            raise PortAudioError("Error opening OutputStream: Invalid device\n [PaErrorCode -9996]")
        card = self

        class Stream(SimpleNamespace):
            @property
            def time(self) -> float:
                if card.gone:
                    raise PortAudioError("Error getting stream time")
                return card.time

        self.channels, self.callback, self.more = channels, callback, more
        self.stream = Stream(latency=self.latency_s, start=lambda: None, abort=lambda: None, close=self._close)
        return self.stream

    def _close(self) -> None:
        self.closed = True

    def prime(self, blocks: int, gap: float, block: int = 20) -> None:
        """Some blocks at once to fill its buffer, and then nothing for a while: the way streams begin."""
        for i in range(blocks):
            times = SimpleNamespace(outputBufferDacTime=self.time + i * block / RATE, currentTime=self.time)
            out = np.zeros((block, self.channels), np.int16)
            self.callback(out, block, times, None)
            self.heard.append(out[:, 0])
        self.time += gap

    def play(self, seconds: float, block: int = 20) -> None:
        """Time goes by; the card asks for blocks."""
        for _ in range(round(seconds * RATE / block)):
            self._blocks += 1
            late = self.jitter[self._blocks % len(self.jitter)]
            leaves = self.time + self.latency_s + late if self.says_when else 0.0
            out = np.full((block, self.channels), 7, np.int16)
            self.callback(out, block, SimpleNamespace(outputBufferDacTime=leaves, currentTime=self.time), None)
            self.heard.append(out[:, 0])
            self.time += block / RATE


def song(seconds: float = 10.0) -> np.ndarray:
    return np.arange(round(seconds * RATE), dtype=np.int16)[:, None] + 1


@pytest.mark.parametrize("says_when", [True, False], ids=["the card says when", "the card says its latency"])
def test_the_position_is_that_of_the_sound_that_leaves_the_device(says_when: bool) -> None:
    fake = FakeCard(0.08, says_when)
    card = Card(song(), RATE, None, fake)
    card.start(0.0)
    fake.play(2.0)
    # 2.0 s of samples were handed over; the last of them leaves 0.08 s after it was asked for.
    assert card.position() == pytest.approx(2.0 - 0.08)
    fake.time += 0.013  # between two callbacks
    assert card.position() == pytest.approx(2.0 - 0.08 + 0.013)


def test_single_callbacks_that_come_late_do_not_shake_the_position() -> None:
    fake = FakeCard(0.05, jitter=(0.0, 0.0, 0.004, -0.003, 0.0))
    card = Card(song(), RATE, None, fake)
    card.start(0.0)
    for _ in range(40):
        fake.play(0.1)
        assert card.position() == pytest.approx(sum(map(len, fake.heard)) / RATE - 0.05, abs=0.0011)


def test_before_the_song_there_is_silence_and_the_position_is_negative() -> None:
    fake = FakeCard(0.02)
    card = Card(song(), RATE, None, fake)
    card.start(-0.5)
    fake.play(0.3)
    assert card.position() == pytest.approx(-0.22)
    fake.play(0.3)
    heard = np.concatenate(fake.heard)
    assert not heard[:500].any()
    assert list(heard[500:504]) == [1, 2, 3, 4]


def test_pause_is_silent_and_goes_on_where_it_stood() -> None:
    fake = FakeCard(0.02)
    card = Card(song(), RATE, None, fake)
    card.start(3.0)
    fake.play(1.0)
    held = card.pause()
    assert held == pytest.approx(3.98)
    fake.heard.clear()
    fake.play(0.5)
    assert not np.concatenate(fake.heard).any()
    assert card.position() == held
    card.start(held)
    fake.play(0.1)
    assert np.concatenate(fake.heard)[500] == 3981


def test_after_the_songs_end_there_is_silence_and_the_count_goes_on() -> None:
    fake = FakeCard(0.02)
    card = Card(song(1.0), RATE, None, fake)
    card.start(0.9)
    fake.play(0.4)
    heard = np.concatenate(fake.heard)
    assert heard[99] == 1000 and not heard[100:].any()
    assert card.position() == pytest.approx(1.28)


def test_a_stream_that_begins_with_a_gap_is_not_steady_before_it_is_over() -> None:
    """As a sound server's sink was seen to do it: five blocks at once, then nothing for a second."""
    fake = FakeCard(0.035)
    card = Card(song(), RATE, None, fake)
    fake.prime(5, gap=1.0)
    assert not card.steady
    fake.play(0.8)
    assert card.steady
    card.start(0.0)
    begun_s = fake.time
    fake.play(0.3)
    # The song's first sample was asked for when it was started, and leaves 0.035 s later.
    assert card.position() == pytest.approx(fake.time - begun_s - 0.035)


def test_a_break_in_the_middle_is_followed_within_half_a_second() -> None:
    fake = FakeCard(0.035)
    card = Card(song(), RATE, None, fake)
    fake.play(0.5)
    card.start(0.0)
    fake.play(2.0)
    fake.time += 0.090  # nobody fed the card
    fake.play(0.6)
    asked_s = sum(map(len, fake.heard)) / RATE - 0.5
    assert card.position() == pytest.approx(asked_s - 0.035)


def test_wrong_times_for_a_moment_move_nothing() -> None:
    """As a busy computer gives them: late by 80 ms, early by 50, for some tenths of a second."""
    fake = FakeCard(0.035)
    card = Card(song(), RATE, None, fake)
    fake.play(0.5)
    card.start(0.0)
    fake.play(1.0)
    for late in (0.080, -0.030, 0.080):
        fake.jitter = (late,)
        fake.play(0.2)
        asked_s = sum(map(len, fake.heard)) / RATE - 0.5
        assert card.position() == pytest.approx(asked_s - 0.035)


def test_a_card_that_stops_asking_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    fake = FakeCard()
    card = Card(song(), RATE, None, fake)
    card.start(0.0)
    fake.play(0.1)
    assert card.fault == ""
    later = time.monotonic() + 4.5
    monkeypatch.setattr(time, "monotonic", lambda: later)
    assert card.fault == "the sound device stopped asking for sound"


def test_a_card_that_ends_by_itself_is_gone() -> None:
    fake = FakeCard()
    card = Card(song(), RATE, None, fake)
    fake.more["finished_callback"]()  # type: ignore[operator]
    assert card.fault == "the sound device went away"


def test_a_stream_that_has_no_time_any_more_is_gone() -> None:
    fake = FakeCard()
    card = Card(song(), RATE, None, fake)
    card.start(2.0)
    fake.play(0.1)
    before = card.position()
    fake.gone = True
    assert card.position() == before
    assert card.fault == "the sound device went away"


def test_a_device_that_is_not_there_is_told_in_one_line() -> None:
    with pytest.raises(Faults, match="sound: Gone: cannot be played: Error opening OutputStream: Invalid device .Pa"):
        Card(song(), RATE, "Gone", FakeCard())
    none = FakeCard()
    none.devices = ""
    with pytest.raises(Faults, match=r"\Asound: Gone: no sound device was found; --no-sound leaves the song"):
        Card(song(), RATE, "Gone", none)


def test_a_device_may_be_a_number_and_is_let_go() -> None:
    fake = FakeCard()
    card = Card(song(), RATE, "3", fake)
    assert fake.more["device"] == 3
    card.close()
    assert fake.closed


def test_without_sounddevice_the_line_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(Faults, match=r"sound needs the extra \"play\".*--no-sound"):
        sounds.devices()


def test_the_extra_is_named_so_that_every_shell_takes_it() -> None:
    # zsh reads bare square brackets as a pattern (zshmisc, "Filename Generation").
    assert 'pip install -e ".[play]"' in sounds.NO_SOUND


def test_no_device_at_all_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sounds, "_sounddevice", lambda: SimpleNamespace(query_devices=lambda: ""))
    assert sounds.devices() == "no sound device was found; --no-sound leaves the song to another player"


def test_silence_counts_and_holds() -> None:
    now = [10.0]
    silent = Silent(lambda: now[0])
    silent.start(-1.0)
    now[0] += 3.0
    assert silent.position() == 2.0
    assert silent.pause() == 2.0
    now[0] += 9.0
    assert silent.position() == 2.0
    assert silent.fault == ""


@pytest.mark.parametrize("channels", [1, 2])
def test_the_song_is_played_as_it_was_decoded(tmp_path: Path, channels: int) -> None:
    folder = make_show(tmp_path / "tide", seconds=2.0)
    samples = np.clip(tune(2.0, channels=channels), -1, 1)
    soundfile.write(folder / "tide.wav", samples, 44_100, subtype="PCM_16")
    played, rate = load_samples(folder / "tide.wav", 2.0)
    assert (played.shape, rate, played.dtype) == ((88_200, channels), 44_100, np.int16)
    assert np.abs(played[:, 0] / 32768 - samples.reshape(88_200, -1)[:, 0]).max() < 1e-4


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_a_song_of_floats_is_heard_at_its_own_level(tmp_path: Path, subtype: str) -> None:
    """Full scale of int16 is 32767: half of it is a sample of 0.5; beyond full scale it is cut, no number is 0."""
    song = tmp_path / "tide.wav"
    samples = np.array([[0.5, -0.5], [0.0, 0.25], [1.5, -9.0], [np.nan, np.inf]])
    soundfile.write(song, samples, 48_000, subtype=subtype)
    played, rate = load_samples(song, 4 / 48_000)
    assert rate == 48_000
    assert played.tolist() == [[16383, -16383], [0, 8191], [32767, -32767], [0, 0]]


def test_a_song_of_another_length_than_was_analysed_is_played_as_analysed(tmp_path: Path) -> None:
    """Where the plain reader and the decoder disagree on where sample 0 is, the song map's times are the decoder's."""
    folder = make_show(tmp_path / "tide", seconds=2.0)
    soundfile.write(folder / "tide.wav", tune(2.0, channels=2), 44_100, subtype="PCM_16")
    played, _ = load_samples(folder / "tide.wav", 1.9)
    assert played.shape == (88_200, 1)
