"""The page to hear: whole in itself, read by a parser and by a real browser, its sounds those that were computed, its sliders moved by keys."""

from __future__ import annotations

import base64
import hashlib
import io
import os
import re
import shutil
import wave
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import html5lib
import numpy as np
import pytest

from camcalc.cautions import AT_IDLE_SPARK, AT_SURGE
from camcalc.report.hear_page import hear_html, wave_files
from camcalc.sound.cases import HeardBuild, Slider
from camcalc.sound.levels import FULL_SCALE
from tests.plain_words import banned_in, long_sentences
from tests.report.devtools import Browser, browser

SVG = "{http://www.w3.org/2000/svg}"
WIDTHS = (390, 768, 1280)
LEFT, RIGHT = ("ArrowLeft", 37), ("ArrowRight", 39)
SHOWN = "[...document.querySelectorAll('#{0} .case')].filter(one => !one.hidden).map(one => one.dataset.case)"


@pytest.fixture(scope="module")
def heard(heard_of: Callable[[str], HeardBuild]) -> HeardBuild:
    return heard_of("dockside")


@pytest.fixture(scope="module")
def text(heard: HeardBuild) -> str:
    return hear_html(heard)


@pytest.fixture(scope="module")
def tree(text: str) -> Any:
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)


def words_of(element: Any) -> str:
    return " ".join("".join(element.itertext()).split())


# --- the file


def test_the_page_is_small_and_refers_to_nothing_outside(text: str, tree: Any) -> None:
    assert len(text.encode()) < 3e6
    addresses = [value for element in tree.iter() for name, value in element.attrib.items() if name in ("src", "href", "srcset", "action", "poster")]
    assert addresses
    assert all(address.startswith(("data:audio/wav;base64,", "#")) for address in addresses)
    assert re.findall(r"https?:|url\(|@import|fetch\(|XMLHttpRequest|WebSocket", re.sub(r'src="data:[^"]*"', "", text)) == []


def test_its_policy_lets_sounds_of_its_own_play_and_nothing_come_from_outside(tree: Any) -> None:
    (policy,) = [meta.attrib["content"] for meta in tree.iter("meta") if meta.attrib.get("http-equiv") == "Content-Security-Policy"]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["media-src"] == "data:"
    assert set(rules) == {"default-src", "style-src", "script-src", "img-src", "media-src"}
    # No script runs but those that are known by their hash, this page's own among them (Content Security Policy 3, from memory).
    (script,) = ["".join(element.itertext()) for element in tree.iter("script")]
    sources = rules["script-src"].split()
    assert all(re.fullmatch(r"'sha256-[A-Za-z0-9+/]{43}='", source) for source in sources)
    assert f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'" in sources


def test_the_sounds_in_the_page_are_those_of_the_files(heard: HeardBuild, tree: Any) -> None:
    waves = wave_files(heard)
    for audio in tree.iter("audio"):
        assert audio.attrib["preload"] == "none"
        assert {"autoplay", "muted"} & set(audio.attrib) == set()
        assert "controls" in audio.attrib
    inside = {a.attrib["id"]: base64.b64decode(next(a.iter("audio")).attrib["src"].partition(",")[2]) for a in tree.iter("article")}
    # Files are named by figures, cases of the page by their place.
    assert sorted(inside.values()) == sorted(data for name, data in waves.items() if name.endswith(".wav"))
    assert {name: waves[f"{name}.wav"] for name in ("idle", "idle-replaced_cam")} == {name: inside[name] for name in ("idle", "idle-replaced_cam")}


def test_every_case_has_its_numbers_as_text_and_its_lines_are_read_out(heard: HeardBuild, tree: Any) -> None:
    for article in tree.iter("article"):
        said = words_of(article)
        assert re.search(r"\d+ rpm", said)
        names = [svg.attrib["aria-label"] for svg in article.iter(f"{SVG}svg")]
        assert [name.split(" over ")[0] for name in names][:2] == ["Crank speed", "Work of each burn"]
        assert len(names) == (2 if article.attrib["id"].startswith("idle") else 3)
        assert all(re.search(r"over 6 s: -?[\d.]+ to [\d.]+ (rpm|J|m/s2)", name) for name in names)


def test_each_missed_cycle_that_is_heard_is_drawn_and_has_no_bar(heard: HeardBuild, tree: Any) -> None:
    own = heard.idles[0].heard
    assert own is not None
    (article,) = [a for a in tree.iter("article") if a.attrib["id"] == "idle"]
    bars, missed = ([p.attrib["d"] for p in article.iter(f"{SVG}path") if (p.attrib.get("class") == "missed") is kind] for kind in (False, True))
    assert sum(one.count("M") for one in missed) == own.firings.missed.sum() > 0
    assert bars[0].count("M") == (own.firings.si.burn > 0.0).sum()


def test_a_slider_names_every_position_and_what_is_next_to_it(heard: HeardBuild, tree: Any) -> None:
    ranges = {e.attrib["id"]: e for e in tree.iter("input") if e.attrib["type"] == "range"}
    assert set(ranges) == {"volume", "steepness", *(s.code for s in (Slider.LOBE_SEPARATION, Slider.ADVANCE, Slider.IDLE_SPEED, Slider.IDLE_SPARK))}
    labels = {label.attrib.get("for") for label in tree.iter("label")}
    assert set(ranges) <= labels
    texts = [data.text for data in tree.iter("data")]
    assert "You hear 950 rpm. Next computed: 850 rpm and 1050 rpm, nothing in between." in texts
    assert "You hear 1050 rpm. Next computed: 950 rpm, nothing in between." in texts
    assert int(ranges["volume"].attrib["value"]) <= 25
    keys = {a.attrib["id"] for a in tree.iter("article")}
    found = [data.attrib["value"] for data in tree.iter("data")]
    assert {key for key in found if key.startswith("idle")} <= keys
    assert {f"speed_hold-{key}" for key in found if key.startswith("yours")} <= keys


def test_cautions_come_before_the_figures_and_what_a_sound_is_not_is_said(tree: Any) -> None:
    said = words_of(tree)
    before = said[: said.index("What the sound does not tell")]
    assert [caution for caution in (*AT_IDLE_SPARK, *AT_SURGE) if caution not in before] == []
    assert "You hear the rhythm of this engine, not the tone of this exhaust." in said
    assert "A right sound at idle is no verdict on the road." in said


def test_its_words_are_plain(tree: Any) -> None:
    for element in tree.iter():
        if element.tag in ("p", "li", "h2", "h3", "label", "output", "data", "dd", "figcaption", "caption", "td", "th"):
            said = words_of(element)
            assert long_sentences(said) == []
            assert banned_in(said) == []


# --- in a browser


@pytest.fixture(scope="module")
def page(text: str, root: Path) -> Path:
    folder = root / ".artefacts"
    folder.mkdir(exist_ok=True)
    path = folder / "hear.html"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def seen(page: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """The page in a browser; each test loads it again."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        assert "CI" not in os.environ, "the whole check needs a chromium: apt-get install chromium"
        pytest.skip("no chromium on this machine: apt-get install chromium")
    with browser(program, tmp_path_factory.mktemp("profile")) as found:
        yield found


def test_the_console_says_nothing_and_nothing_plays(seen: Browser, page: Path, tmp_path: Path) -> None:
    seen.opens(page)
    assert seen.says("[...document.querySelectorAll('audio')].every(one => one.paused && one.readyState === 0)")
    assert seen.says("Math.max(...[...document.querySelectorAll('audio')].map(one => one.volume))") == 0.25
    assert seen.console == []
    # What this test would see: an error thrown, and a sound from outside that the page's own policy keeps out.
    bad = tmp_path / "bad.html"
    wrong = "<script>throw Error('wrong')</script><audio src='https://example.invalid/x.wav' preload='auto'></audio></body>"
    bad.write_text(page.read_text(encoding="utf-8").replace("</body>", wrong), encoding="utf-8")
    seen.opens(bad)
    seen.says("new Promise(done => setTimeout(done, 300))")
    assert len(seen.console) >= 2


def test_an_offline_rendering_of_a_sound_is_its_samples(seen: Browser, page: Path, heard: HeardBuild) -> None:
    """The browser's own decoder and an audio context that renders without loudspeaker, against the samples computed."""
    seen.opens(page)
    for key, name in (("idle", "idle"), ("idle-replaced_cam", "idle-replaced_cam"), ("speed_hold-yours-2", "speed_hold-yours-100")):
        script = f"""(async () => {{
            const text = atob(document.querySelector("[data-case='{key}'] audio").src.split(",")[1]);
            const bytes = Uint8Array.from(text, one => one.charCodeAt(0));
            const first = new OfflineAudioContext(1, 1, 8000), sound = await first.decodeAudioData(bytes.buffer);
            const context = new OfflineAudioContext(1, sound.length, 8000), source = context.createBufferSource();
            source.buffer = sound;
            source.connect(context.destination);
            source.start();
            return [sound.sampleRate, [...(await context.startRendering()).getChannelData(0)]];
        }})()"""
        rate, rendered = seen.says(script)
        with wave.open(io.BytesIO(wave_files(heard)[f"{name}.wav"])) as file:
            kept = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2") / FULL_SCALE
        assert rate == 8000
        assert np.array(rendered) == pytest.approx(kept, abs=2.0 / FULL_SCALE)


def test_sliders_are_moved_by_keys_one_at_a_time(seen: Browser, page: Path) -> None:
    seen.opens(page)
    shown, status = SHOWN.format("idle"), "document.querySelector('#idle .status').textContent"
    assert seen.says(shown) == ["idle"]
    seen.says("document.getElementById('idle_speed').focus()")
    seen.presses(*RIGHT)
    assert seen.says(shown) == ["idle-idle_speed-3"]
    assert seen.says("document.getElementById('idle_speed').getAttribute('aria-valuetext')") == "1050 rpm"
    assert "You hear 1050 rpm. Next computed: 950 rpm, nothing in between." in seen.says(status)
    seen.presses(*LEFT)
    seen.presses(*LEFT)
    assert seen.says(shown) == ["idle-idle_speed-1"]
    seen.says("document.getElementById('lobe_separation').focus()")
    seen.presses(*RIGHT)
    assert seen.says(shown) == ["idle-lobe_separation-3"]
    # The other slider went back to the sheet's own.
    assert seen.says("document.getElementById('idle_speed').value") == "1"
    assert seen.says("document.getElementById('idle_speed-words').textContent").startswith("You hear 950 rpm.")
    seen.says("document.querySelector('#idle input[type=radio]:checked').focus()")
    seen.presses(*RIGHT)
    assert seen.says(shown) == ["idle-replaced_cam"]
    assert seen.says("document.getElementById('lobe_separation').value") == "1"
    # And on the road.
    drives = SHOWN.format("drive")
    assert seen.says(drives) == ["speed_hold-yours-2"]
    seen.says("document.getElementById('steepness').focus()")
    seen.presses(*LEFT)
    assert seen.says(drives) == ["speed_hold-yours-1"]
    seen.says("document.querySelector('input[name=drive]:checked').focus()")
    seen.presses(*RIGHT)
    assert seen.says(drives) == ["tip_in-yours-1"]
    assert seen.console == []


def test_one_sound_plays_at_a_time_from_the_same_place_and_the_cursor_goes_with_it(seen: Browser, page: Path) -> None:
    seen.opens(page)
    playing = "[...document.querySelectorAll('audio')].filter(one => !one.paused).map(one => one.closest('.case').dataset.case)"
    seen.says("document.querySelector('#idle .case:not([hidden]) audio').play()")
    seen.says("new Promise(done => setTimeout(done, 700))")
    assert seen.says(playing) == ["idle"]
    at = "const a = document.querySelector(\"[data-case='{0}'] audio\"), c = a.closest('.case').querySelector('.cursor');"
    place = seen.says(f"(() => {{ {at.format('idle')} return [a.currentTime, +c.getAttribute('x1') / 100, c.style.visibility]; }})()")
    assert place[0] > 0.2
    assert place[1] == pytest.approx(place[0], abs=0.1)
    assert place[2] == "visible"
    seen.says("document.getElementById('advance').focus()")
    seen.presses(*RIGHT)
    seen.says("new Promise(done => setTimeout(done, 300))")
    assert seen.says(playing) == ["idle-advance-3"]
    later = seen.says(f"(() => {{ {at.format('idle-advance-3')} return a.currentTime; }})()")
    assert place[0] - 0.05 <= later < place[0] + 3.0
    seen.says("document.querySelector('#drive .case:not([hidden]) audio').play()")
    assert seen.says(playing) == ["speed_hold-yours-2"]
    seen.says("document.getElementById('volume').focus()")
    seen.presses(*LEFT)
    assert seen.says("document.querySelector('audio').volume") == pytest.approx(0.2)
    assert seen.console == []


def test_without_scripts_all_cases_are_there(seen: Browser, page: Path, heard: HeardBuild) -> None:
    seen.asks("Emulation.setScriptExecutionDisabled", value=True)
    try:
        seen.opens(page)
        found = seen.asks("DOM.getDocument", depth=-1)
        assert found
    finally:
        seen.asks("Emulation.setScriptExecutionDisabled", value=False)
    shown = "[...document.querySelectorAll('.case audio')].filter(one => one.getBoundingClientRect().height > 20).length"
    assert seen.says(shown) == len(heard.sounds)
    assert seen.says("getComputedStyle(document.querySelector('.controls')).display") == "none"


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", WIDTHS)
def test_it_fits_and_is_taken_a_picture_of(seen: Browser, page: Path, root: Path, width: int, dark: bool) -> None:
    seen.looks(width, dark=dark)
    seen.opens(page)
    assert seen.says("document.documentElement.scrollWidth") <= width
    boxes = "[...document.querySelectorAll('main > *, .controls, .case:not([hidden]), audio, figure, .slider')]"
    assert seen.says(f"{boxes}.filter(one => one.getBoundingClientRect().right > innerWidth + 0.5).map(one => one.className)") == []
    # What a finger is to hit is at least 24 pixels high (WCAG 2.2, target size, from memory).
    assert seen.says("Math.min(...[...document.querySelectorAll('.controls input[type=range]')].map(one => one.getBoundingClientRect().height))") >= 24
    colours = "(one => { const s = getComputedStyle(document.querySelector(one)); return [s.stroke, s.backgroundColor]; })"
    line = seen.says(f"{colours}('.strip polyline')")[0]
    ground = seen.says(f"{colours}('.strip svg')")[1]
    assert contrast(line, ground) > 4.5
    picture = root / ".artefacts" / f"hear-{width}-{'dark' if dark else 'light'}.png"
    seen.picture(picture)
    content = picture.read_bytes()
    assert content.startswith(b"\x89PNG")
    assert int.from_bytes(content[16:20]) == width


def contrast(one: str, other: str) -> float:
    """Ratio of luminance of two colours (WCAG 2.1, from memory)."""

    def brightness(colour: str) -> float:
        parts = [int(n) / 255.0 for n in re.findall(r"\d+", colour)[:3]]
        red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    low, high = sorted((brightness(one), brightness(other)))
    return (high + 0.05) / (low + 0.05)
