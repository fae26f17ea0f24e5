"""The brief in a real browser: no complaint on the console, no overflow on phone, tablet, desk and paper, light and dark, and the crank-angle cursor.

Screenshots and the printed page are left in ``.artefacts/`` for people to look at.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import html5lib
import pytest

from camcalc.report.brief_page import brief_html

WIDTHS = (360, 390, 768, 1280)
# Printable widths: A4 and Letter less the page's own margins of 13 mm, at 96 dots an inch.
PAPERS = {"A4": 210.0, "Letter": 215.9}
MARGINS = 26.0
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--hide-scrollbars", "--allow-file-access-from-files", "--enable-logging=stderr", "--v=0",
)  # fmt: skip
DARK = "--blink-settings=preferredColorScheme=0"
# The browser makes no window narrower than some 500 pixels: a narrow page is looked at in a frame of that width.
NARROWEST = 520

WRAPPER = """<!DOCTYPE html><html><body style="margin:0">
{frames}
<pre id="measured"></pre>
<script>
addEventListener("load", () => {{
  const out = [...document.querySelectorAll("iframe")].map(frame => {{
    const page = frame.contentDocument, window = frame.contentWindow, root = page.documentElement;
    const folded = page.querySelectorAll("details:not([open])").length;
    page.querySelectorAll("details").forEach(one => {{ one.open = true; }});
    const style = element => {{ const found = window.getComputedStyle(element); return [found.color, found.backgroundColor]; }};
    const boxes = [...page.querySelectorAll("main > *, .answers > li, .wide, .plot, figure")];
    const past = boxes.filter(box => box.getBoundingClientRect().right > window.innerWidth + 0.5).map(box => box.className || box.tagName);
    const cut = inside => [...page.querySelectorAll(inside)].filter(box => box.scrollWidth > box.clientWidth + 1).map(box => box.getAttribute("aria-label"));
    const right = box => Math.max(...[...box.children].flatMap(child => [...child.getClientRects()].map(part => part.right)));
    const full = [...page.querySelectorAll(".folded")].filter(box => box.children.length > 3);
    const reach = full.map(box => [box.id, right(box) / box.getBoundingClientRect().right]), answers = cut(".answers .wide");
    const body = style(page.body), label = style(page.querySelector(".label"));
    return {{ inner: window.innerWidth, scroll: root.scrollWidth, past, tables: cut(".wide"), answers, reach, folded, body, label }};
  }});
  {extra}
  document.getElementById("measured").textContent = JSON.stringify(out);
}});
</script></body></html>
"""
# Points at the middle of the first plot along the crank, and tells what every such plot then shows.
POINT = """
  const page = document.querySelector("iframe").contentDocument, plots = [...page.querySelectorAll("svg[data-crank]")], box = plots[0].getBoundingClientRect();
  plots[0].dispatchEvent(new PointerEvent("pointermove", { clientX: box.left + box.width / 2, clientY: box.top + box.height / 2 }));
  out.push(plots.map(plot => [plot.lastChild.textContent, plot.lastChild.getAttribute("visibility")]));
  out.push([plots[0].viewBox.baseVal.width, ...plots[0].dataset.crank.split(" ").map(Number)]);
  plots[0].dispatchEvent(new PointerEvent("pointerleave"));
  out.push(plots.map(plot => plot.lastChild.getAttribute("visibility")));
"""

Run = Callable[..., "subprocess.CompletedProcess[str]"]
Make = Callable[..., Any]


@pytest.fixture(scope="module")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Run the browser with a profile of its own, empty each time."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        assert "CI" not in os.environ, "the whole check needs a chromium: apt-get install chromium"
        pytest.skip("no chromium on this machine: apt-get install chromium")

    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        profile = tmp_path_factory.mktemp("profile")
        command = [found, *FLAGS, f"--user-data-dir={profile}", *arguments]
        return subprocess.run(command, capture_output=True, text=True, check=True, timeout=120)

    return run


@pytest.fixture(scope="module")
def artefacts(root: Path) -> Path:
    folder = root / ".artefacts"
    folder.mkdir(exist_ok=True)
    return folder


@pytest.fixture(scope="module")
def page(brief_of: Make, artefacts: Path) -> Path:
    path = artefacts / "brief.html"
    path.write_text(brief_html(brief_of("quarry-road")), encoding="utf-8")
    return path


def wrapper(path: Path, page: Path, widths: tuple[float, ...], *, height: int = 900, extra: str = "") -> str:
    """Write a page that holds another in frames of some widths, and return its address."""
    frames = "\n".join(f'<iframe src="{page.as_uri()}" style="display:block;border:0;width:{w}px;height:{height}px"></iframe>' for w in widths)
    path.write_text(WRAPPER.format(frames=frames, extra=extra), encoding="utf-8")
    return path.as_uri()


def measured(run: Run, address: str, *arguments: str) -> Any:
    """What the wrapper's script measured."""
    done = run("--dump-dom", *arguments, address)
    tree = html5lib.parse(done.stdout, namespaceHTMLElements=False)
    text = "".join(tree.find(".//pre[@id='measured']").itertext())
    assert text, done.stderr[-2000:]
    return json.loads(text)


def complaints(run: Run, page: Path) -> list[str]:
    """What the console says while a page loads."""
    return [line for line in run("--dump-dom", page.as_uri()).stderr.splitlines() if "CONSOLE" in line]


def brightness(colour: str) -> float:
    """Relative luminance of a CSS colour (WCAG 2.1, from memory)."""
    parts = [int(n) / 255.0 for n in re.findall(r"\d+", colour)[:3]]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((brightness(one), brightness(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_console_says_nothing(chromium: Run, page: Path, tmp_path: Path) -> None:
    assert complaints(chromium, page) == []
    # What this test would see: an error thrown, and a picture that the page's own policy keeps out.
    bad = tmp_path / "bad.html"
    wrong = "<script>throw Error('wrong')</script><img src='https://example.invalid/x.png' alt=''></body>"
    bad.write_text(page.read_text(encoding="utf-8").replace("</body>", wrong), encoding="utf-8")
    assert len(complaints(chromium, bad)) >= 2


def test_nothing_overflows_at_any_width(chromium: Run, page: Path, tmp_path: Path) -> None:
    found = measured(chromium, wrapper(tmp_path / "w.html", page, WIDTHS))
    assert [f["inner"] for f in found] == list(WIDTHS)
    for frame in found:
        assert frame["scroll"] <= frame["inner"]
        assert frame["past"] == []


def test_no_table_of_the_answers_is_cut_off_on_a_phone_and_none_at_all_on_a_desk(chromium: Run, page: Path, tmp_path: Path) -> None:
    phone, desk = measured(chromium, wrapper(tmp_path / "w.html", page, (390, 1280)))
    assert phone["answers"] == desk["answers"] == []
    assert desk["tables"] == []


def test_sections_are_folded_and_reach_the_right_third_of_a_desk(chromium: Run, page: Path, tmp_path: Path) -> None:
    (desk,) = measured(chromium, wrapper(tmp_path / "w.html", page, (1280,)))
    assert desk["folded"] > 8
    assert len(desk["reach"]) > 5
    assert [key for key, share in desk["reach"] if share < 0.8] == []


def test_an_overflow_would_be_seen(chromium: Run, page: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.html"
    bad.write_text(page.read_text(encoding="utf-8").replace("</main>", '<div style="width:400px">x</div></main>'), encoding="utf-8")
    (narrow,) = measured(chromium, wrapper(tmp_path / "w.html", bad, (360,)))
    assert narrow["scroll"] > narrow["inner"]


def test_on_paper_every_table_fits_the_width(chromium: Run, page: Path, tmp_path: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert text.count("@media print") == 1
    paper = tmp_path / "paper.html"
    paper.write_text(text.replace("@media print", "@media all"), encoding="utf-8")
    widths = tuple(round((across - MARGINS) / 25.4 * 96.0) for across in PAPERS.values())
    for frame in measured(chromium, wrapper(tmp_path / "w.html", paper, widths)):
        assert frame["scroll"] <= frame["inner"]
        assert frame["tables"] == []
    # On a narrow screen some do not fit and scroll in their boxes instead.
    (narrow,) = measured(chromium, wrapper(tmp_path / "n.html", page, (360,)))
    assert narrow["tables"]


def test_light_and_dark_can_be_read(chromium: Run, page: Path, tmp_path: Path) -> None:
    address = wrapper(tmp_path / "w.html", page, (768,))
    (light,), (dark,) = (measured(chromium, address, *more) for more in ((), (DARK,)))
    assert brightness(light["body"][1]) > 0.8
    assert brightness(dark["body"][1]) < 0.05
    for scheme in (light, dark):
        # Normal text wants 4.5 (WCAG 2.1, from memory).
        assert contrast(*scheme["body"]) > 7.0
        assert contrast(scheme["label"][0], scheme["body"][1]) > 4.5


def test_the_cursor_ties_the_plots_along_the_crank_together(chromium: Run, page: Path, tmp_path: Path) -> None:
    _, pointed, frame, after = measured(chromium, wrapper(tmp_path / "w.html", page, (1280,), extra=POINT))
    assert len(pointed) == 2
    across, left, right, _, _, first, last = frame
    angle = first + (last - first) * (across / 2.0 - left) / (right - left)
    words = f"{abs(angle):.0f} crank deg {'before' if angle < 0.0 else 'after'} overlap TDC"
    assert [text for text, _ in pointed] == [words, words]
    assert [shown for _, shown in pointed] == ["visible", "visible"]
    assert after == ["hidden", "hidden"]


@pytest.mark.parametrize("paper", PAPERS)
def test_it_prints(chromium: Run, page: Path, tmp_path: Path, artefacts: Path, paper: str) -> None:
    sized = tmp_path / "sized.html"
    sized.write_text(page.read_text(encoding="utf-8").replace("@page { ", f"@page {{ size: {paper}; "), encoding="utf-8")
    printed = artefacts / f"brief-{paper}.pdf"
    printed.unlink(missing_ok=True)
    chromium("--no-pdf-header-footer", f"--print-to-pdf={printed}", sized.as_uri())
    content = printed.read_bytes()
    assert content.startswith(b"%PDF-")
    boxes = {tuple(map(float, box.split())) for box in re.findall(rb"/MediaBox\s*\[([^\]]+)\]", content)}
    assert boxes
    for _, _, width, height in boxes:
        assert (width, height) == pytest.approx({"A4": (595.28, 841.89), "Letter": (612.0, 792.0)}[paper], abs=1.0)
    assert 4 <= len(re.findall(rb"/Type\s*/Page\b", content)) <= 20


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pictures_are_taken_to_look_at(chromium: Run, page: Path, tmp_path: Path, artefacts: Path, scheme: str) -> None:
    for width in WIDTHS:
        address = wrapper(tmp_path / f"{width}.html", page, (width,), height=2400)
        picture = artefacts / f"brief-{width}-{scheme}.png"
        picture.unlink(missing_ok=True)
        chromium(f"--window-size={max(width, NARROWEST)},2400", f"--screenshot={picture}", *((DARK,) if scheme == "dark" else ()), address)
        content = picture.read_bytes()
        assert content.startswith(b"\x89PNG")
        assert (int.from_bytes(content[16:20]), int.from_bytes(content[20:24])) == (max(width, NARROWEST), 2400)
        assert len(content) > 50_000
