"""A drawing as a PNG: read back by Pillow, a reader that is not ours. What is drawn must be there in pixels."""

from __future__ import annotations

import io
import subprocess
import sys
from importlib.resources import files

import pytest
from fontTools.ttLib import TTFont
from PIL import Image

from watcher.errors import PictureError
from watcher.raster import can_raster, png_of

SQUARE = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="100" height="50" viewBox="0 0 100 50">'
    '<rect width="100" height="50" fill="#ffffff"/><rect x="50" width="50" height="50" fill="#a33c00"/>{}</svg>'
)
WORDS = '<text x="4" y="30" font-family="sans-serif" font-size="14" font-weight="{}">{}</text>'


def image_of(inside: str = "", width_px: int = 200) -> Image.Image:
    image = Image.open(io.BytesIO(png_of(SQUARE.format(inside), width_px=width_px)))
    image.load()
    return image.convert("RGB")


def dark_pixels(image: Image.Image) -> int:
    return sum(count for count, colour in image.getcolors(1 << 20) if max(colour) < 100)


def test_a_drawing_keeps_its_proportions_and_its_colours():
    image = image_of()
    assert image.size == (200, 100)
    assert image.getpixel((10, 50)) == (255, 255, 255)
    assert image.getpixel((190, 50)) == (0xA3, 0x3C, 0x00)


@pytest.mark.parametrize("words", ["0550Z", "−3.2 °C", "Nordhåmn", "Ж", "Ω"])
def test_words_are_drawn_with_the_fonts_that_come_along(words):
    assert dark_pixels(image_of(WORDS.format(400, words))) > 20


def test_bold_is_bolder():
    assert dark_pixels(image_of(WORDS.format(700, "treat"))) > 1.15 * dark_pixels(image_of(WORDS.format(400, "treat")))


def test_the_same_drawing_gives_the_same_bytes():
    assert png_of(SQUARE.format(""), width_px=64) == png_of(SQUARE.format(""), width_px=64)


@pytest.mark.parametrize("svg", ["", "hello", "<svg", "<svg><rect></svg>"])
def test_what_is_no_drawing_is_refused_in_words(svg):
    with pytest.raises(PictureError, match="cannot be turned into pixels"):
        png_of(svg, width_px=10)


@pytest.mark.parametrize("width_px", [0, -1, 8193])
def test_a_width_out_of_bounds_is_refused(width_px):
    with pytest.raises(PictureError, match="1 to 8192 px"):
        png_of(SQUARE.format(""), width_px=width_px)


def test_without_the_extra_the_error_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "resvg_py", None)
    with pytest.raises(PictureError, match=r"hoarline\[pictures\]"):
        png_of(SQUARE.format(""), width_px=10)


def test_asking_whether_it_can_does_not_load_the_library():
    code = "import sys; from watcher.raster import can_raster; print(can_raster(), 'resvg_py' in sys.modules)"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert told.stdout.split() == [str(can_raster()), "False"]


@pytest.mark.parametrize("weight", ["regular", "bold"])
def test_the_fonts_are_small_hold_what_is_drawn_and_bear_their_own_name(weight):
    font_file = files("watcher.pictures").joinpath("fonts", f"hoarline-sans-{weight}.ttf")
    data = font_file.read_bytes()
    assert len(data) <= 60_000
    font = TTFont(io.BytesIO(data))
    names = {record.nameID: str(record) for record in font["name"].names}
    # The licence of the original: an altered font has neither word in its name.
    assert not any(word in names[number] for number in (1, 3, 4, 6) for word in ("Bitstream", "Vera", "Arev"))
    assert "Bitstream" in names[0]
    drawn = "ABCXYZabcxyz0123456789 %°−–.,:;()/+<>åæøöüßéčłžΩЖ→↑"
    assert {ord(letter) for letter in drawn} <= set(font.getBestCmap())
