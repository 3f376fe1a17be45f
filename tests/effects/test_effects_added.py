"""Effects of other packages: found, checked, drawn, and named when they are wrong."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from effects_kit import at_beats, string_of

from composer.effects import DRAWERS, EFFECTS, EffectFails, draw, load_added
from composer.effects.page import OWN_EXAMPLE
from composer.faults import Faults

Install = Callable[..., None]


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Install]:
    """Puts a small package with one module and its entry points where Python finds it."""

    def put(module: str, code: str, entries: str, version: str = "1.0") -> None:
        (tmp_path / f"{module}.py").write_text(code, encoding="utf-8")
        info = tmp_path / f"{module}-{version}.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: {version}\n")
        (info / "entry_points.txt").write_text(f"[glowscore.effects]\n{entries}\n")

    monkeypatch.syspath_prepend(str(tmp_path))
    yield put
    monkeypatch.undo()
    load_added()


def changed(old: str, new: str) -> str:
    """The page's example with one thing changed."""
    assert OWN_EXAMPLE.count(old) >= 1
    return OWN_EXAMPLE.replace(old, new)


def test_the_example_of_the_page_is_found_and_drawn(install: Install) -> None:
    install("quay_lights_a", OWN_EXAMPLE, "lighthouse = quay_lights_a:lighthouse", "2.1")
    assert load_added() == {"lighthouse": "quay_lights_a 2.1"}
    assert EFFECTS["lighthouse"].param("beam").default == 0.1
    light, cover = draw("lighthouse", at_beats([0.0, 1.0]), string_of(10), {}, 1)
    assert light.tolist() == [[[1, 1, 1]]]
    # The beam stands at 0, then at 1/4 of ten pixels; pixel middles at 0.05, 0.15, ...; light falls to 0 over 0.1.
    np.testing.assert_allclose(cover[0], [0.5, 0, 0, 0, 0, 0, 0, 0, 0, 0.5], atol=1e-6)
    np.testing.assert_allclose(cover[1], [0, 0, 1, 0, 0, 0, 0, 0, 0, 0], atol=1e-6)


def test_an_added_effect_is_gone_when_its_package_is(install: Install, monkeypatch: pytest.MonkeyPatch) -> None:
    install("quay_lights_b", OWN_EXAMPLE, "lighthouse = quay_lights_b:lighthouse")
    load_added()
    assert "lighthouse" in EFFECTS
    monkeypatch.undo()
    load_added()
    assert list(EFFECTS) == list(DRAWERS)


@pytest.mark.parametrize(("code", "entries", "message"), [
    ("raise RuntimeError('no lamp')", "lighthouse = {m}:lighthouse", "cannot be loaded: RuntimeError: no lamp"),
    ("lighthouse = 3", "lighthouse = {m}:lighthouse", "is not an AddedEffect"),
    (OWN_EXAMPLE, "beacon = {m}:lighthouse", 'calls itself "lighthouse"'),
    (changed('"lighthouse"', '"run"'), "run = {m}:lighthouse", "there is an effect of this name already"),
    (changed('"beam", "number"', '"zone", "number"'), "lighthouse = {m}:lighthouse", 'the parameter "zone" cannot be'),
    (changed('"4 beats"', '"4 beets"'), "lighthouse = {m}:lighthouse", "a default of its parameters does not read"),
])  # fmt: skip
def test_a_wrong_package_is_named_and_nothing_is_added(
    install: Install, request: pytest.FixtureRequest, code: str, entries: str, message: str
) -> None:
    module = f"quay_wrong_{zlib.crc32(request.node.name.encode())}"
    install(module, code, entries.format(m=module))
    with pytest.raises(Faults, match=message) as caught:
        load_added()
    assert str(caught.value).startswith(f'{module} 1.0: effect "')
    assert list(EFFECTS) == list(DRAWERS)


@pytest.mark.parametrize(("old", "new", "message"), [
    ("turns = times", "turns = time", "failed: NameError: name 'time' is not defined"),
    (", cover  #", ", cover.T  #", r"cover has shape \(10, 2\), needs \(2, 10\)"),
    (", cover  #", ", 2 * cover  #", "cover is not within 0 to 1"),
    (", cover  #", ", cover / 0 * 0  #", "cover is not within 0 to 1"),
    ("[None, :1], cover", "[:1], cover", r"light has shape \(1, 3\), needs \(2, 10, 3\)"),
])  # fmt: skip
@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_an_effect_that_goes_wrong_is_named_with_its_package(
    install: Install, request: pytest.FixtureRequest, old: str, new: str, message: str
) -> None:
    module = f"quay_broken_{zlib.crc32(request.node.name.encode())}"
    install(module, changed(old, new), f"lighthouse = {module}:lighthouse")
    load_added()
    with pytest.raises(EffectFails, match=message) as caught:
        draw("lighthouse", at_beats([0.0, 1.0]), string_of(10), {}, 1)
    assert f'the effect "lighthouse" of {module} 1.0' in str(caught.value)
