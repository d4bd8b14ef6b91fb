"""What of a drawing is the die: layers called rim, the page, its background, clips, inner drawings, languages."""

from __future__ import annotations

import pytest

from nestcut.errors import OutlineError
from nestcut.outlines import outline_size, read_scrap
from tests.outlines.svg import die, drawing

SQUARE = '<rect x="10" y="10" width="20" height="10"/>'
AROUND = '<rect x="5" y="5" width="40" height="40"/>'
SPACE = 'xmlns:p="http://example.org/program"'


def notes(read) -> str:
    return " ".join(read.notes)


RIMS = [
    f'<g {SPACE} id="layer1" p:label="rim">{AROUND}</g>',
    f'<g {SPACE} id="layer1" p:label=" Rim 2 ">{AROUND}</g>',
    f'<g {SPACE} id="rim1_" p:label="Layer 1">{AROUND}</g>',
    f'<g id="a1" label="RIM">{AROUND}</g>',
    f'<g id="a1" data-name="rim">{AROUND}</g>',
    f'<g {SPACE} id="_1" p:id="rim">{AROUND}</g>',
    f"<g id='a1'><title>rim</title>{AROUND}</g>",
    AROUND.replace("<rect", f'<rect {SPACE} p:label="rim"'),
    AROUND.replace("/>", "><title>\n rim </title></rect>"),
    f'<defs>{AROUND.replace("<rect", "<rect id=" + chr(34) + "a" + chr(34))}</defs><use href="#a" label="rim"/>',
    f'<g id="rim">{AROUND}</g>',
    f'<g class="thin rim">{AROUND}</g>',
]


@pytest.mark.parametrize("layer", RIMS)
def test_a_layer_labelled_rim_is_the_rim(tmp_path, layer):
    """By id, class, a label in any namespace, a name kept beside the id, or a title in it."""
    read = die(tmp_path, layer + SQUARE)
    assert outline_size(read.rim) == pytest.approx((40, 40))
    assert outline_size(read.cut) == pytest.approx((20, 10))
    assert read.notes == ()


@pytest.mark.parametrize("name", ["outer rim", "rims", "rim of metal", "Rim-outside"])
def test_a_layer_that_nearly_says_rim_is_named(tmp_path, name):
    """It is cut, and the note says how to call it."""
    read = die(tmp_path, f'<g {SPACE} p:label="{name}">{AROUND}</g>{SQUARE}')
    assert outline_size(read.cut) == pytest.approx((40, 40))
    assert f'"{name}" is read as what is cut; call it "rim"' in notes(read)


def test_trims_and_titles_are_no_rims(tmp_path):
    """Other words with rim in them, and the title of the whole drawing."""
    read = die(tmp_path, f'<title>rim</title><g id="trim"><title>primrose</title>{SQUARE}</g>')
    assert outline_size(read.cut) == pytest.approx((20, 10))
    assert read.notes == ()


BEYOND = [
    '<rect x="120" width="9" height="9"/>',
    '<circle cx="-20" cy="50" r="9"/>',
    '<path d="M300 300L310 310" stroke="#000"/>',
    '<g transform="translate(0 200)"><rect width="9" height="9"/></g>',
]


@pytest.mark.parametrize("beyond", BEYOND)
def test_what_lies_beyond_the_page_is_left_out_with_a_note(tmp_path, beyond):
    """As no viewer shows it and no printer prints it; the note says what to do."""
    read = die(tmp_path, f"{SQUARE}\n{beyond}")
    assert outline_size(read.cut) == pytest.approx((20, 10))
    assert read.marks == ()
    assert "wholly outside the page was left out; move it onto the page" in notes(read)
    assert "(line 2, " in notes(read)


def test_the_page_is_width_and_height_with_its_margins(tmp_path):
    """A viewBox of another shape leaves room at the sides, and that is still page (SVG 2 section 8.2)."""
    wide = 'width="200mm" height="100mm" viewBox="0 0 100 100"'
    both = SQUARE + '<rect x="110" y="10" width="20" height="10"/>'
    assert outline_size(die(tmp_path, both, wide).cut) == pytest.approx((120, 10))
    assert "beyond" not in notes(die(tmp_path, both, wide))
    sliced = wide + ' preserveAspectRatio="xMidYMin slice"'
    low = SQUARE + '<rect x="40" y="60" width="20" height="10"/>'
    assert outline_size(die(tmp_path, low, sliced).cut) == pytest.approx((40, 20))
    # Without any page there is no beyond.
    assert outline_size(die(tmp_path, low.replace("60", "600"), "").cut)[1] == pytest.approx(600 * 25.4 / 96)


def test_what_reaches_beyond_the_page_is_read_whole(tmp_path):
    """With a note, unless it is a hair only."""
    read = die(tmp_path, '<rect x="-5" y="10" width="20" height="10"/>')
    assert outline_size(read.cut) == pytest.approx((20, 10))
    assert "sticks out of the page was read whole (line 1, rect)" in notes(read)
    assert die(tmp_path, '<rect x="-.08" y="10" width="20" height="10"/>').notes == ()


def test_a_page_that_is_all_wrong(tmp_path):
    """Where everything lies beyond the page, or around it, the page is wrong, not the drawing."""
    read = die(tmp_path, '<rect x="120" y="10" width="20" height="10"/><path d="M5 5h5" stroke="#000"/>')
    assert outline_size(read.cut) == pytest.approx((20, 10))
    assert "All outlines of the drawing lie outside its page" in notes(read)
    around = '<rect x="-9" y="-9" width="120" height="120" fill="none" stroke="#000"/>' + SQUARE
    assert outline_size(die(tmp_path, around).cut) == pytest.approx((120, 120))


BACKGROUNDS = [
    '<rect width="100" height="100" fill="white"/>',
    '<rect width="100%" height="100%" style="fill:#fffdf5"/>',
    '<path d="M-5-5H105V105H-5Z" fill="rgb(255,255,255)" stroke="none"/>',
    '<g fill="#FFF"><polygon points="0 0 100 0 100 100 0 100"/></g>',
    '<rect width="100" height="100" fill="#ddd" stroke="#fff"/>',
    '<rect width="100" height="100" fill="white"/><rect width="100" height="100" fill="ivory"/>',
]


@pytest.mark.parametrize("back", BACKGROUNDS)
def test_a_pale_rectangle_behind_all_is_background(tmp_path, back):
    """As large as the page and without a line of its own: left out with a note, for dies and scraps."""
    read = die(tmp_path, back + SQUARE)
    assert outline_size(read.cut) == pytest.approx((20, 10))
    assert "taken for the background and left out; give it a line if it is an outline (line 1, " in notes(
        read
    )
    (tmp_path / "s.svg").write_text(drawing(back + SQUARE))
    scrap = read_scrap(tmp_path / "s.svg")
    assert outline_size(scrap.outline) == pytest.approx((20, 10))
    assert "background" in notes(scrap)


def test_a_background_as_large_as_the_viewbox(tmp_path):
    """On a page that is wider than its viewBox, too."""
    head = 'width="200mm" height="100mm" viewBox="0 0 100 100"'
    assert outline_size(die(tmp_path, BACKGROUNDS[0] + SQUARE, head).cut) == pytest.approx((20, 10))


OUTLINES = {
    "alone": '<rect width="100" height="100" fill="white"/>',
    "alone with a fold": '<rect width="100" height="100" fill="white"/><path d="M9 9h9" stroke="#000"/>',
    "with a line": f'<rect width="100" height="100" fill="white" stroke="#000"/>{SQUARE}',
    "dark": f'<rect width="100" height="100"/>{SQUARE}',
    "smaller": f'<rect x="3" y="3" width="94" height="94" fill="white"/>{SQUARE}',
    "in front": f'{SQUARE}<rect width="100" height="100" fill="white"/>',
    "round": f'<rect width="100" height="100" rx="20" fill="white"/>{SQUARE}',
}


@pytest.mark.parametrize("name", OUTLINES)
def test_other_large_rectangles_are_outlines(tmp_path, name):
    """What is no background for sure is kept; a pale one with a line is named."""
    read = die(tmp_path, OUTLINES[name])
    assert outline_size(read.cut)[0] >= 94
    assert ("it was read as an outline; take it out if" in notes(read)) == (name == "with a line")


def test_a_rim_as_large_as_the_page_is_the_rim(tmp_path):
    """Even a white one."""
    read = die(tmp_path, f'<rect id="rim" width="100" height="100" fill="#fff"/>{SQUARE}')
    assert outline_size(read.rim) == pytest.approx((100, 100))


def test_inner_drawings_hide_what_lies_outside(tmp_path):
    """Left out with a note; what sticks out is read whole with one; overflow="visible" shows all (SVG 2 section 14.3)."""
    frame = '<svg x="10" y="10" width="40" height="40"{}><rect x="5" y="5" width="{}" height="10"/><circle cx="60" cy="60" r="5"/></svg>'
    read = die(tmp_path, frame.format("", 20))
    assert outline_size(read.cut) == pytest.approx((20, 10))
    assert "outside the frame of an inner drawing was left out (line 1, circle)" in notes(read)
    read = die(tmp_path, frame.format("", 50))
    assert outline_size(read.cut) == pytest.approx((50, 10))
    assert "sticks out of the frame of an inner drawing was read whole" in notes(read)
    shown = die(tmp_path, frame.format(' overflow="visible"', 20))
    assert outline_size(shown.cut) == pytest.approx((60, 60), abs=0.1)
    assert shown.notes == ()
    symbol = '<symbol id="s" viewBox="0 0 9 9"><rect width="9" height="9"/><rect x="20" width="9" height="9"/></symbol>'
    read = die(tmp_path, symbol + '<use href="#s" width="18" height="18"/>')
    assert outline_size(read.cut) == pytest.approx((18, 18))
    assert "outside the frame" in notes(read)


CLIP = '<clipPath id="c"><rect width="50" height="50"/></clipPath>'


def test_a_clip_on_a_shifted_use_is_shifted(tmp_path):
    """SVG 1.1 section 5.6: x and y of use are part of its transform, and the clip lies inside that."""
    body = (
        CLIP
        + '<defs><rect id="r" width="40" height="20"/></defs><use href="#r" x="55" y="60" clip-path="url(#c)"/>'
    )
    assert outline_size(die(tmp_path, body).cut) == pytest.approx((40, 20))
    with pytest.raises(OutlineError, match="clip hides part"):
        die(tmp_path, body.replace('width="40"', 'width="60"').replace('x="55"', 'x="-5"'))


@pytest.mark.parametrize(
    ("clip", "seen"),
    [
        ("circle(20px)", "whole"), ("circle(5px)", "part"), ("inset(0)", "whole"), ("inset(0 1px 0 0)", "part"),
        ("ellipse(50% 50%)", "part"), ("polygon(-9px -9px, 99px -9px, -9px 99px)", "whole"), ("inset(0 50px 0 0)", "gone"),
        ("polygon(evenodd, 0 0, 100% 0, 100% 100%)", "part"), ("path('M0 0h20v10h-20z')", "whole"),
        ("fill-box", "whole"), ("view-box inset(0 0 85px 0)", "part"), ("inset(0 1 0 0)", "named"),
        ("shape(from 0 0, line to 9px 9px)", "named"), ("circle(1em)", "named"), ("url(#gone)", "named"),
        ("url(other.svg#c)", "named"), ("path(nonsense)", "named"), ("circle(5px at nowhere)", "named"),
    ],
)  # fmt: skip
def test_basic_shapes_clip(tmp_path, clip, seen):
    """CSS Shapes 1 section 3: what they hide is refused or left out, what can't be read is named."""
    other = '<rect x="60" y="60" width="8" height="8"/>'
    for body in (
        SQUARE.replace("<rect", f'<rect style="clip-path:{clip}"'),
        f'<g style="clip-path:{clip}">{SQUARE}</g>',
    ):
        if seen == "part":
            with pytest.raises(OutlineError, match="a clip hides part"):
                die(tmp_path, body + other)
            continue
        read = die(tmp_path, body + other)
        assert outline_size(read.cut) == pytest.approx((8, 8) if seen == "gone" else (58, 58))
        assert ("What a clip hides was left out" in notes(read)) == (seen == "gone")
        assert ("ignored" in notes(read)) == (seen == "named")
        assert bool(read.notes) == (seen != "whole")


def test_when_clips_hide_everything(tmp_path):
    """The message says so."""
    with pytest.raises(OutlineError, match="clips, or the frames of inner drawings, hide all"):
        die(tmp_path, f'<clipPath id="c"/><g clip-path="url(#c)">{SQUARE}</g>')


def test_languages(tmp_path):
    """A switch shows one part (SVG 2 section 5.9): the English one, else the one for any, else the first; told in a note."""
    parts = {"de": 10, "en": 20, "": 30}

    def shown(*languages: str) -> tuple[float, str]:
        body = "".join(
            f'<rect width="{parts[tag]}" height="9"{f" systemLanguage={chr(34)}{tag}{chr(34)}" if tag else ""}/>'
            for tag in languages
        )
        read = die(tmp_path, f"<switch>{body}</switch>")
        return outline_size(read.cut)[0], notes(read)

    assert shown("de", "en", "") == (
        20,
        'Of the parts for several languages the one for "en" was read (line 1, rect).',
    )
    assert shown("de", "") == (
        30,
        "Of the parts for several languages the one for any language was read (line 1, rect).",
    )
    assert shown("de")[0] == 10
    assert shown("")[1] == ""
    read = die(tmp_path, f'{SQUARE}<rect x="50" width="9" height="9" systemLanguage="de, fr"/>')
    assert outline_size(read.cut) == pytest.approx((20, 10))
    assert 'A part for another language ("de, fr") was left out (line 1, rect).' in read.notes


def test_switch_passes_over_what_is_not_read(tmp_path):
    """A part that nestcut can't read is no choice: the next one stands in for it, and a note names the first."""
    read = die(tmp_path, f"<switch><foreignObject><p/></foreignObject><g>{SQUARE}</g></switch>")
    assert outline_size(read.cut) == pytest.approx((20, 10))
    assert "Text was ignored" in notes(read)
    program = f'<switch><foreignObject requiredExtensions="x"/><g>{SQUARE}</g></switch>'
    assert die(tmp_path, program).notes == ()


def test_bare_numbers_in_styles(tmp_path):
    """In a style they need units (CSS Transforms 1, section 12); browsers pass over such a transform, and a note says so."""
    turned = SQUARE.replace("<rect", '<rect style="transform:rotate(90)"')
    read = die(tmp_path, turned)
    assert outline_size(read.cut) == pytest.approx((20, 10))
    assert "its numbers need a unit (px, deg) there" in notes(read)
    assert outline_size(die(tmp_path, turned.replace("(90)", "(90deg)")).cut) == pytest.approx((10, 20))
    read = die(tmp_path, SQUARE.replace("<rect", '<rect transform="rotate(90deg)"'))
    assert outline_size(read.cut) == pytest.approx((10, 20))
    assert "units was read as it is meant" in notes(read)


def test_notes_can_be_printed(tmp_path):
    """What a file holds does not steer a terminal, and does not fill the screen."""
    read = die(tmp_path, f'{SQUARE}<text id="\u202e{"x" * 500}"/>')
    assert all(note.isprintable() and len(note) < 250 for note in read.notes)
    assert "text id='?xxx" in notes(read)
