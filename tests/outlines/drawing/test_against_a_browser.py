"""What is painted where, against a browser: each drawing as Chromium shows it, and as it is read here.

The browser draws each on a canvas of 3 pixels a millimetre and tells the bounds and the number of dark pixels; clips count.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess

import pytest
import shapely
from shapely.geometry import Polygon, box

from nestcut.outlines.drawing.document import parse_svg
from nestcut.outlines.drawing.visible import Drawing
from nestcut.outlines.drawing.walk import see
from nestcut.outlines.shapes.flatten import flatten_line
from tests.outlines.svg import drawing

PX_PER_MM = 3

R = '<rect x="10" y="20" width="30" height="20"'
DEF = '<defs><rect id="r" width="30" height="20"/></defs>'
PAGE = '<clipPath id="c"><rect width="20" height="30"/></clipPath>'
HEART = "M50 80C10 50 10 20 30 20C40 20 50 30 50 35C50 30 60 20 70 20C90 20 90 50 50 80Z"

DRAWINGS = {
    # SVG 1.1 section 5.6: x and y of use end its transform, so its clip moves with it.
    "clip on a shifted use": f'{DEF}{PAGE}<use href="#r" x="40" y="30" clip-path="url(#c)"/>',
    "clip on a turned use": f'{DEF}{PAGE}<use href="#r" x="40" transform="rotate(30)" clip-path="url(#c)"/>',
    "clip in a use": f'<g><defs><g id="q" clip-path="url(#c)">{R}/></g></defs></g>{PAGE}<use href="#q" x="9" y="7"/>',
    "use and fill-box": f'{DEF}<use href="#r" x="40" y="10" style="transform-box:fill-box;transform-origin:center;rotate:20deg"/>',
    "href before xlink:href": f'{DEF}<circle id="o" r="50"/><use xlink:href="#o" href="#r" x="55" y="60"/>'.replace(
        '<circle id="o" r="50"/>', '<defs><circle id="o" r="50"/></defs>'
    ),
    # CSS Masking 1 section 6.2: clipPathUnits, transform and clip-path of clipPath, clip-rule.
    "units of the box": f'<clipPath id="c" clipPathUnits="objectBoundingBox"><circle cx=".5" cy=".5" r=".4"/></clipPath>{R} clip-path="url(#c)"/>',
    "units of the box, on a use": f'<clipPath id="c" clipPathUnits="objectBoundingBox"><rect width=".5" height=".5"/></clipPath>{DEF}<use href="#r" x="40" y="40" clip-path="url(#c)"/>',
    "moved clipPath": f'<clipPath id="c" transform="translate(5 5) scale(.5)"><rect width="60" height="60"/></clipPath>{R} clip-path="url(#c)"/>',
    "moved box units": f'<clipPath id="c" clipPathUnits="objectBoundingBox" transform="translate(5 5)"><rect width="1" height="1"/></clipPath>{R} clip-path="url(#c)"/>',
    "clip of a clip": f'<clipPath id="d"><rect y="25" width="99" height="99"/></clipPath><clipPath id="c" clip-path="url(#d)"><rect width="25" height="99"/></clipPath>{R} clip-path="url(#c)"/>',
    "clip of a child of a clip": f'<clipPath id="d"><rect y="25" width="99" height="99"/></clipPath><clipPath id="c"><rect width="25" height="99" clip-path="url(#d)"/></clipPath>{R} clip-path="url(#c)"/>',
    "clip without paint": f'<clipPath id="c"><rect width="25" height="99" fill="none"/></clipPath>{R} clip-path="url(#c)"/>',
    "hidden child of a clip": f'<clipPath id="c"><rect width="25" height="99"/><rect width="99" height="99" visibility="hidden"/></clipPath>{R} clip-path="url(#c)"/>',
    "group in a clip": f'<clipPath id="c"><g><rect width="99" height="99"/></g></clipPath>{R} clip-path="url(#c)"/>',
    "use in a clip": f'{DEF}<clipPath id="c"><use href="#r" x="5" y="15"/></clipPath>{R} clip-path="url(#c)"/>',
    "empty clip": f'<clipPath id="c"/>{R} clip-path="url(#c)"/>',
    "clip that is not there": f'{R} clip-path="url(#gone)"/>',
    "ring as a clip": f'<clipPath id="c"><path clip-rule="evenodd" d="M0 0h99v99h-99z M20 25h10v10h-10z"/></clipPath>{R} clip-path="url(#c)"/>',
    "filled ring as a clip": f'<clipPath id="c"><path d="M0 0h99v99h-99z M20 25h10v10h-10z"/></clipPath>{R} clip-path="url(#c)"/>',
    "turned ring as a clip": f'<clipPath id="c"><path d="M0 0h99v99h-99z M20 25v10h10v-10z"/></clipPath>{R} clip-path="url(#c)"/>',
    "open clip": f'<clipPath id="c"><polyline points="0 0 60 0 0 60"/></clipPath>{R} clip-path="url(#c)"/>',
    # CSS Shapes 1 section 3, CSS Masking 1 section 5.1: without a box it is the stroke box.
    "inset": f'{R} style="clip-path:inset(5px 20% 10% 3px)"/>',
    "inset with corners": f'{R} style="clip-path:inset(1px round 12px 3px / 6px)"/>',
    "inset, attribute": f'{R} clip-path="inset(5 10)"/>',
    "inset without units": f'{R} style="clip-path:inset(5 10)"/>',
    "inset of the stroke box": f'{R} stroke="#000" stroke-width="8" style="clip-path:inset(4px)"/>',
    "inset of the fill box": f'{R} style="clip-path:fill-box inset(4px)"/>',
    "inset of the page": f'{R} style="clip-path:inset(25px) view-box"/>',
    "inset in a group": f'<g transform="translate(9 9) rotate(20)" style="clip-path:inset(0 50% 0 0)">{R}/><circle cx="60" cy="30" r="9"/></g>',
    "circle": f'{R} style="clip-path:circle()"/>',
    "circle of half": f'{R} style="clip-path:circle(50% at right 10px top 5px)"/>',
    "circle to the far side": f'{R} style="clip-path:circle(farthest-side at 20% 30%)"/>',
    "ellipse": f'{R} style="clip-path:ellipse(30% 8px at left)"/>',
    "polygon": f'{R} style="clip-path:polygon(0 0, 100% 0, 50% 100%)"/>',
    "star of both rules": f'{R} style="clip-path:polygon(evenodd, 0 0,100% 0,100% 100%,0 100%,0 0,25% 25%,75% 25%,75% 75%,25% 75%,25% 25%)"/>',
    "path": f"{R} style=\"clip-path:path('M0 0h20v15h-9z')\"/>",
    "rect": f'{R} style="clip-path:rect(2px auto 90% 10% round 4px)"/>',
    "xywh": f'{R} style="clip-path:xywh(10% 2px 50% 15px round 5px)"/>',
    "circle on a use": f'{DEF}<use href="#r" x="40" y="40" style="clip-path:circle(8px)"/>',
    # CSS Transforms 1 sections 7 to 12, CSS Transforms 2 sections 5 and 6.
    "css translate": f'{R} style="transform:translate(10px,5mm)"/>',
    "css without units": f'{R} style="transform:translate(10,5)"/>',
    "css over attribute": f'{R} transform="translate(40 40)" style="transform:rotate(10deg)"/>',
    "css percentages": f'{R} style="transform:translate(20%,10%)"/>',
    "css turn about a place": f'{R} style="transform-origin:25px 30px;transform:rotate(.1turn)"/>',
    "css turn about the middle": f'{R} style="transform-origin:center;transform:rotate(90deg)"/>',
    "css turn about its middle": f'{R} style="transform-box:fill-box;transform-origin:50% 50%;transform:rotate(45deg)"/>',
    "css stroke box": f'{R} stroke="#000" stroke-width="6" style="transform-box:stroke-box;transform-origin:left top;transform:rotate(-180deg) translate(-30px,-40px)"/>',
    "origin attribute": f'{R} transform="rotate(90)" transform-origin="50 50"/>',
    "css matrix": f'{R} style="transform:matrix(.8,.2,-.1,1,10,10)"/>',
    "css skew": f'{R} style="transform:skew(10deg,5deg) skewX(-20deg) skewY(.1rad)"/>',
    "css scales": f'{R} style="transform:scale(.5,2) scaleX(120%) scaleY(.9)"/>',
    "css in space": f'{R} style="transform:translate3d(10px,5px,9px) rotateZ(5deg) scale3d(1,.5,7) translateZ(3px)"/>',
    "css matrix3d": f'{R} style="transform:matrix3d(1,.1,0,0,0,.9,0,0,0,0,1,0,5,6,0,1)"/>',
    "one by one": f'{R} style="translate:20px 10px;rotate:30deg;scale:1.2 .7;transform-origin:20px 20px"/>',
    "one by one and all": f'{R} transform="scale(.5)" style="rotate:z 15deg;scale:150%;transform:translate(10px)"/>',
    "turn about an axis": f'{R} style="rotate:0 0 -1 -15deg"/>',
    "css on groups": f"<style>.a{{transform:translate(50px,10px) rotate(40deg)}}#b{{transform-box:fill-box;transform-origin:right;rotate:10deg}}</style><g class='a'><g id='b'>{R}/></g></g>",
    "css in an inner frame": f'<svg viewBox="-20 -20 100 100" width="80" height="80"><g style="transform-origin:center;rotate:20deg">{R}/></g></svg>',
    "reset by css": f'{R} transform="translate(40 40)" style="transform:none"/>',
    # SVG 2 sections 8.2, 14.3: inner viewports hide what lies outside.
    "inner frame": '<svg x="20" y="20" width="40" height="40"><circle r="30"/><rect x="60" width="9" height="9"/></svg>',
    "inner frame that shows all": '<svg x="20" y="20" width="40" height="40" overflow="visible"><circle r="30"/></svg>',
    "inner frame, auto": '<svg x="20" y="20" width="40" height="40" overflow="auto"><circle r="30"/></svg>',
    "inner frame, scroll": '<svg x="20" y="20" width="40" height="40" style="overflow:scroll"><circle r="30"/></svg>',
    "moved inner frame": '<svg x="20" y="20" width="40" height="40" transform="rotate(20)"><circle r="30"/></svg>',
    "symbol": '<symbol id="s" viewBox="0 0 10 10"><circle cx="5" cy="5" r="6"/></symbol><use href="#s" x="30" y="10" width="40" height="20"/>',
    "symbol that shows all": '<symbol id="s" viewBox="0 0 10 10" style="overflow:visible"><circle cx="5" cy="5" r="6"/></symbol><use href="#s" x="30" y="10" width="40" height="20"/>',
    "use of an inner frame": '<defs><svg id="s" width="10" height="10"><circle r="8"/></svg></defs><use href="#s" x="30" y="10" width="40"/>',
    "moved symbol": '<symbol id="s" viewBox="0 0 10 10" transform="rotate(10)"><rect width="8" height="8"/></symbol><use href="#s" x="30" y="10" width="40" height="20"/>',
    # SVG 2 section 5.9: conditional processing.
    "extension": f'<g requiredExtensions="http://example.org/x">{R}/></g><circle cx="70" cy="70" r="9"/>',
    "empty extension": f'<g requiredExtensions="">{R}/></g><circle cx="70" cy="70" r="9"/>',
    "other language": f'<g systemLanguage="de">{R}/></g><circle cx="70" cy="70" r="9"/>',
    "own language": f'<g systemLanguage="de, en-GB, en">{R}/></g>',
    "switch": f'<switch><g systemLanguage="de"><circle r="99"/></g><g systemLanguage="en">{R}/></g><g><circle r="50"/></g></switch>',
    "switch without languages": f'<switch><g requiredExtensions="x"><circle r="99"/></g>{R}/><circle r="50"/></switch>',
    # SVG 2 section 7: geometry as properties.
    "geometry by css": "<style>rect{x:10px;y:20%;width:30px;height:5mm;rx:4px}</style><rect/>",
    "path by css": f"<path d='M0 0' style='d:path(\"{HEART}\")'/>",
    "page beyond": f'{R} transform="translate(70 -30)"/><circle cx="120" cy="50" r="9"/><path d="{HEART}"/>',
    "css keywords": f'<g fill="none">{R} style="fill:initial"/><rect x="50" y="50" width="9" height="9" style="fill:unset"/></g>',
}  # fmt: skip


SCRIPT = """
const drawings = DRAWINGS, found = {};
async function measure(name, text) {
  const image = new Image();
  image.src = "data:image/svg+xml," + encodeURIComponent(text);
  await image.decode();
  const canvas = new OffscreenCanvas(SIZE, SIZE), pen = canvas.getContext("2d");
  pen.fillStyle = "#fff";
  pen.fillRect(0, 0, SIZE, SIZE);
  pen.drawImage(image, 0, 0, SIZE, SIZE);
  const pixels = pen.getImageData(0, 0, SIZE, SIZE).data, at = [];
  for (let k = 0; k < SIZE * SIZE; k++) if (pixels[4 * k + 1] < 128) at.push([k % SIZE, Math.floor(k / SIZE)]);
  const xs = at.map(p => p[0]), ys = at.map(p => p[1]);
  found[name] = at.length ? [at.length, Math.min(...xs), Math.min(...ys), Math.max(...xs) + 1, Math.max(...ys) + 1] : [0];
}
(async () => {
  for (const [name, text] of Object.entries(drawings)) await measure(name, text);
  document.body.textContent = "FOUND" + JSON.stringify(found) + "END";
})();
"""


@pytest.fixture(scope="module")
def seen_by_browser(tmp_path_factory) -> dict[str, list[int]]:
    """Of each drawing the number of dark pixels, and their bounds."""
    browser = shutil.which("chromium")
    if browser is None:
        pytest.skip("needs chromium (Debian: apt-get install chromium)")
    folder = tmp_path_factory.mktemp("browser")
    texts = json.dumps({name: drawing(body) for name, body in DRAWINGS.items()}).replace("<", "\\u003c")
    script = SCRIPT.replace("DRAWINGS", texts).replace("SIZE", str(100 * PX_PER_MM))
    page = folder / "page.html"
    page.write_text(f'<!DOCTYPE html><html lang="en"><body><script>{script}</script>', encoding="utf-8")
    options = (
        "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
        "--disable-component-update --disable-sync --lang=en --virtual-time-budget=60000 --dump-dom"
    )
    command = [browser, *options.split(), f"--user-data-dir={folder / 'browser'}", page.as_uri()]
    result = subprocess.run(command, check=True, capture_output=True, text=True, timeout=120)
    found = re.search("FOUND(.*?)END</body>", result.stdout)
    assert found, result.stdout[-2000:]
    return json.loads(found[1])


def painted(read: Drawing) -> shapely.Geometry:
    """The area that is painted on the page, mm, through its clips."""
    areas = []
    for one in read.seen:
        area: shapely.Geometry = shapely.make_valid(Polygon(flatten_line(one.run.curves, 0.01).coords))
        if one.stroked:
            width = float(one.run.element.get("stroke-width", "1"))
            area = area.buffer(width / 2, join_style="mitre")
        for window in one.windows:
            area = area.intersection(window.area)
        areas.append(area)
    return shapely.union_all(areas).intersection(box(0, 0, 100, 100))


@pytest.mark.parametrize("name", DRAWINGS)
def test_painted_as_in_a_browser(seen_by_browser, name):
    """Bounds within a pixel and a half, area within half a pixel around the edge."""
    ours = painted(see(parse_svg(drawing(DRAWINGS[name]).encode())))
    pixels, *bounds = seen_by_browser[name]
    assert (pixels == 0) == ours.is_empty
    if pixels:
        assert [px / PX_PER_MM for px in bounds] == pytest.approx(ours.bounds, abs=1.5 / PX_PER_MM)
        assert pixels / PX_PER_MM**2 == pytest.approx(ours.area, abs=0.5 / PX_PER_MM * ours.length)
