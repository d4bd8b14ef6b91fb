"""Odd, broken and hostile files end in one clear message, soon, and nothing is fetched."""

from __future__ import annotations

import math
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from nestcut.errors import OutlineError
from nestcut.outlines import DieOutline, read_die, read_scrap
from nestcut.outlines.drawing.document import MOST_BYTES
from tests.outlines.svg import die, drawing

SQUARE = '<rect x="10" y="10" width="20" height="10"/>'

BILLION_LAUGHS = (
    '<?xml version="1.0"?><!DOCTYPE svg [<!ENTITY a "ha">'
    + "".join(f'<!ENTITY {chr(98 + k)} "{f"&{chr(97 + k)};" * 10}">' for k in range(9))
    + ']><svg xmlns="http://www.w3.org/2000/svg"><title>&j;</title></svg>'
)
EXTERNAL = (
    '<!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/hostname">]>'
    '<svg xmlns="http://www.w3.org/2000/svg"><title>&x;</title></svg>'
)

FILES = {
    "empty file": (b"", "empty"),
    "only blanks": (b" \n\r\n", "empty"),
    "not xml": (b"hello", "not an SVG drawing"),
    "broken xml": (b'<svg xmlns="http://www.w3.org/2000/svg"><g></svg>', "not an SVG drawing"),
    "other xml": (b"<html/>", "not an SVG drawing"),
    "compressed": (b"\x1f\x8b\x08\x00", "compressed"),
    "nul bytes": (b"<svg>\x00\x00</svg>", "not an SVG drawing"),
    "not utf-8": (b"<svg><title>\xff\xfe\xe9</title></svg>", "not an SVG drawing"),
    "unknown encoding": (b'<?xml version="1.0" encoding="no-such"?><svg/>', "read|not an SVG"),
    "billion laughs": (BILLION_LAUGHS.encode(), "entities"),
    "external entity": (EXTERNAL.encode(), "entities"),
    "style from elsewhere": (b'<?xml-stylesheet href="a.css"?><svg/>', "another file"),
}


@pytest.mark.parametrize("name", FILES)
def test_files_that_are_no_drawings(tmp_path, name):
    """What, where and mend, for die and scrap."""
    data, message = FILES[name]
    path = tmp_path / "odd.svg"
    path.write_bytes(data)
    for read in (read_die, read_scrap):
        with pytest.raises(OutlineError, match=message) as caught:
            read(path)
        assert caught.value.where.file == str(path)
        assert caught.value.mend


def test_paths_that_are_no_files(tmp_path):
    """A missing file, a folder, a device, a name with a NUL."""
    for path, message in [
        (tmp_path / "none.svg", "no such file"),
        (tmp_path, "folder"),
        ("/dev/zero", "not a regular file"),
        ("a\0b.svg", "can't be opened|no such file"),
        (tmp_path / ("x" * 400), "can't be opened"),
    ]:
        with pytest.raises(OutlineError, match=message):
            read_die(path)


def test_fifty_megabytes_are_refused_at_once(tmp_path):
    """A 50 MB file is refused by its size, before it is parsed."""
    path = tmp_path / "big.svg"
    with path.open("wb") as file:
        file.write(b'<svg xmlns="http://www.w3.org/2000/svg">')
        file.truncate(50_000_000)
    begin = time.process_time()
    with pytest.raises(OutlineError, match=f"larger than {MOST_BYTES // 1_000_000} MB"):
        read_die(path)
    assert time.process_time() - begin < 2


BODIES = {
    "nothing": ("", "no outline"),
    "empty path": ('<path d=""/>', "no outline"),
    "only a move": ('<path d="M10 10z"/>', "no outline"),
    "no area": ('<path d="M0 0L10 0L20 0z"/>', "no area"),
    "there and back": ('<path d="M0 0C10 0 20 0 30 0z"/>', "no area"),
    "crossing": ('<path id="x" d="M0 0L20 20L20 0L0 20z"/>', "crosses itself near x 10.0, y 10.0"),
    "looping curve": ('<path d="M0 0C60 40 -40 40 20 0L10-20z"/>', "crosses itself"),
    "two that cross": ('<rect width="20" height="20"/><circle cx="20" cy="10" r="8"/>', "cross each other"),
    "nan": ('<path d="M0 0LNaN 20L20 0z"/>', "can't be read|lacks numbers"),
    "infinite": ('<path d="M0 0L1e999 20L20 0z"/>', "too large"),
    "huge": ('<path d="M0 0L1e9 20L20 0z"/>', "larger than 10 m"),
    "huge radius": ('<circle r="1e8"/>', "larger than 10 m"),
    "negative radius": ('<circle r="-5"/>', "below 0"),
    "no move first": ('<path d="L10 10z"/>', "begins with"),
    "numbers after z": ('<path d="M0 0h9v9z 5 5"/>', "number without a command"),
    "half a command": ('<path d="M0 0h9v"/>', "lacks numbers"),
    "bad flag": ('<path d="M0 0A5 5 0 2 0 9 9z"/>', "flag"),
    "rubbish": ('<path d="M0 0 h9 v9 ? z"/>', "can't be read"),
    "odd points": ('<polygon points="0 0 10"/>', "odd number"),
    "bad points": ('<polygon points="0 0 a 10"/>', "not a list of numbers"),
    "bad transform": (f'<g transform="spin(3)">{SQUARE}</g>', "transform"),
    "bad transform numbers": (f'<g transform="rotate(1 2)">{SQUARE}</g>', "transform"),
    "flattened": (f'<g transform="scale(1 0)">{SQUARE}</g>', "no area"),
    "skewed to infinity": (f'<g transform="skewX(90)">{SQUARE}</g>', "no finite size"),
    "em": ('<rect width="2em" height="1em"/>', "no size of its own"),
    "use of itself": ('<g id="a"><use href="#a"/></g>', "inside itself"),
    "use in a circle": (
        '<defs><g id="a"><use href="#b"/></g><g id="b"><use href="#a"/></g></defs><use href="#a"/>',
        "itself",
    ),
    "use of nothing": ('<use href="#gone"/>', "doesn't hold"),
    "use of another file": ('<use href="other.svg#a"/>', "another file"),
    "use from the net": ('<use xlink:href="http://example.com/a.svg#a"/>', "another file"),
    "import": (f"<style>@import url(a.css);</style>{SQUARE}", "another file"),
    "all hidden": (f'<g display="none">{SQUARE}</g>', "no outline"),
    "no ink": ('<rect width="9" height="9" fill="none"/>', "invisible"),
    "only a rim": ('<rect class="rim" width="9" height="9"/>', "no cut"),
    "open rim": (f'<path class="rim" d="M0 0h9v9"/>{SQUARE}', "rim is not a closed line"),
    "open": ('<path d="M0 0h9v9"/>', "open by 12.73 mm"),
}


@pytest.mark.parametrize("name", BODIES)
def test_drawings_that_can_not_be_cut(tmp_path, name):
    """One message that says what, where and how to mend."""
    body, message = BODIES[name]
    with pytest.raises(OutlineError, match=message) as caught:
        die(tmp_path, body)
    assert caught.value.mend
    assert caught.value.where.file


@pytest.mark.parametrize(
    "head",
    ['viewBox="0 0 0 100"', 'viewBox="0 0 -5 5"', 'viewBox="1 2 3"', 'viewBox="a"', 'width="0" height="5"',
     'width="-3mm" height="5mm"', 'width="1e400mm" height="5mm"', 'width="3 apples" height="1"',
     'viewBox="0 0 9 9" preserveAspectRatio="middle"'],
)  # fmt: skip
def test_pages_without_size(tmp_path, head):
    """A page of no size, or of an unreadable one, is refused."""
    with pytest.raises(OutlineError) as caught:
        die(tmp_path, SQUARE, head)
    assert caught.value.where.element == "svg"


def test_the_message_names_line_and_element(tmp_path):
    """The place is given as far as it is known."""
    with pytest.raises(OutlineError) as caught:
        die(tmp_path, f'\n{SQUARE}\n<g>\n<path id="stem" d="M0 0L20 20L20 0L0 20z"/></g>')
    assert caught.value.where.line == 4
    assert caught.value.where.element == "path id='stem'"
    assert str(caught.value).startswith(
        f"{tmp_path / 'die.svg'}:4, path id='stem': the outline crosses itself"
    )


def use_bomb() -> str:
    parts = ['<g id="u0"><rect width="1" height="1"/></g>']
    parts += [f'<g id="u{k}">' + f'<use href="#u{k - 1}"/>' * 10 + "</g>" for k in range(1, 9)]
    return "<defs>" + "".join(parts) + '</defs><use href="#u8"/>'


def clipped(clip: str) -> str:
    return f'<clipPath id="c">{clip}</clipPath><g clip-path="url(#c)"><rect width="99" height="99"/></g>'


def star(corners: int) -> str:
    """A path whose lines nearly all cross each other."""
    return (
        "M"
        + "L".join(f"{50 + 40 * math.cos(2.4 * k)} {50 + 40 * math.sin(2.4 * k)}" for k in range(corners))
        + "z"
    )


def ovals(count: int) -> str:
    """Ellipses that cross each other, going round one way and the other."""
    return "".join(
        f"M80 50A30 {10 + k / 9} {3 * k} 1 {k % 2} 20 50A30 {10 + k / 9} {3 * k} 1 {k % 2} 80 50z"
        for k in range(count)
    )


@pytest.mark.parametrize(
    "make",
    [
        lambda: '<path d="M0 0' + "".join(f"L{k % 997} {k % 991}" for k in range(1_000_000)) + 'z"/>',
        lambda: '<polygon points="' + " ".join(f"{k % 997},{k % 991}" for k in range(1_000_000)) + '"/>',
        lambda: "<g>" * 5000 + SQUARE + "</g>" * 5000,
        lambda: '<rect width="1" height="1"/>' * 60_000,
        lambda: "".join(f'<rect x="{k % 99}" y="{3 * (k // 99)}" width=".5" height="1"/>' for k in range(3_000)),
        lambda: f'<polygon points="{"1" * 200_000}x"/>',
        lambda: f'<path d="M0 0{"1" * 200_000}x"/>',
        lambda: f'<g transform="{"(" * 100_000}">{SQUARE}</g>',
        lambda: f'<g transform="{"scale(2)" * 3000}">{SQUARE}</g>',
        lambda: f"<style>{'a,' * 100_000}b{{display:none}}</style><path/>",
        lambda: '<path d="M0 0C1e12 1e12 -1e12 1e12 5 5z"/>',
        lambda: '<path d="M0 0C9000 9000 -9000 9000 .01 0z"/>',
        lambda: "".join(f'<path d="M{k} 0L{k + 1} 0"/>' for k in range(9_000)),
        lambda: "<style>" + "".join(f".c{k % 7}{{fill:none}}" for k in range(50_000)) + "</style>" + SQUARE,
        lambda: (
            "<style>" + "g " * 30 + "rect{fill:none}</style>" + "<g>" * 90 + '<path d="M0 0"/>' * 5000 + "</g>" * 90
        ),
        lambda: '<path stroke="#000" d="' + "".join(f"M0 0L{k % 97 + 1} {k % 89 + 1}" for k in range(9_000)) + '"/>',
        lambda: '<g style="transform-box:fill-box;rotate:1deg">' * 60 + SQUARE + "</g>" * 60,
        lambda: '<g style="clip-path:circle(50%)">' * 60 + SQUARE + "</g>" * 60,
        lambda: clipped('<path clip-rule="evenodd" d="' + star(3_000) + '"/>'),
        lambda: clipped('<path d="' + star(3_000) + '"/>'),
        lambda: clipped('<path d="' + "".join(f"M{k} {k}h60v60h-60z" for k in range(190)) + '"/>'),
        lambda: clipped('<rect width="9" height="9" clip-path="url(#c)"/>' * 10),
        lambda: clipped('<path d="' + ovals(50) + '"/>'),
        lambda: clipped('<path clip-rule="evenodd" d="' + ovals(50) + '"/>'),
        use_bomb,
    ],
)  # fmt: skip
@pytest.mark.first(8)
def test_bombs_end_soon(tmp_path, make):
    """A million points, deep nesting, use bombs, endless numbers: refused within seconds."""
    begin = time.process_time()
    with pytest.raises(OutlineError) as caught:
        die(tmp_path, make())
    assert caught.value.what
    assert len(str(caught.value)) < 600
    assert time.process_time() - begin < 20


PIECES = st.sampled_from(
    [SQUARE, "<g", ">", "</g>", "<g>", '<path d="', '"/>', "M0 0", "L10 10", "A5 5 0 1 0 9 9", "z", "c1 2 3 4 5 6", "1e9",
     "NaN", "-.5.5", '<use href="#a"/>', '<g id="a">', 'transform="rotate(', ")", '<style>.a{', "}</style>", "&x;",
     '<circle r="5"/>', '<ellipse rx="3"/>', '<rect width="9" height="9" rx="20"/>', 'class="rim"', "\x00", "é", "<!--",
     '<symbol id="b" viewBox="0 0 1 1">', "</symbol>", '<polygon points="0 0 9 0 9 9"/>', '<line x2="9"/>']
)  # fmt: skip


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(PIECES, max_size=14), st.binary(max_size=6), st.integers(0, 200))
def test_any_file_gives_an_outline_or_a_message(tmp_path_factory, pieces, noise, at):
    """Never a traceback that is not an OutlineError."""
    data = drawing("".join(pieces)).encode("utf-8", "surrogatepass")
    if noise and at % 2:
        data = data[:at] + noise + data[at:]
    path = tmp_path_factory.mktemp("fuzz") / "a.svg"
    path.write_bytes(data)
    try:
        read = read_die(path)
    except OutlineError:
        return
    assert isinstance(read, DieOutline)
    assert read.cut.is_valid
    assert read.rim.covers(read.cut)


@pytest.mark.thorough
def test_hundreds_of_rings_end_soon(tmp_path):
    """Nesting of many outlines inside each other is quick."""
    begin = time.process_time()
    read = die(tmp_path, "".join(f'<circle r="{k / 10}"/>' for k in range(20, 420)))
    assert len(read.cut.geoms) == 200
    assert time.process_time() - begin < 60
