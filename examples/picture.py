"""Take the picture of the README: the first screen of the brief of an invented example, as a browser shows it.

``python examples/picture.py [BRIEF.json]``: of a brief kept with ``camcalc brief --json``, or of one made here, which takes some minutes.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

import camcalc as cc
from camcalc.report.brief_page import brief_html

WIDTH, HEIGHT = 1100, 900
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--hide-scrollbars")

here = Path(__file__).parent
browser = shutil.which("chromium") or shutil.which("chromium-browser")
if browser is None:
    sys.exit("no chromium on this machine: apt-get install chromium")
with tempfile.TemporaryDirectory() as name:
    folder = Path(name)
    page, shot = folder / "brief.html", folder / "brief.png"
    brief = cc.load_brief(sys.argv[1]) if sys.argv[1:] else cc.make_brief(cc.load_build(here / "quarry-road" / "build.toml"))
    page.write_text(brief_html(brief), encoding="utf-8")
    size = f"--window-size={WIDTH},{HEIGHT}"
    subprocess.run(
        [browser, *FLAGS, f"--user-data-dir={folder / 'profile'}", size, f"--screenshot={shot}", page.as_uri()], check=True, capture_output=True, timeout=120
    )
    # The page has few colours: a palette of them halves the file.
    with Image.open(shot) as picture:
        picture.convert("RGB").quantize(64, dither=Image.Dither.NONE).save(here / "quarry-road" / "brief.png", optimize=True)
