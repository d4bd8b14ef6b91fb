"""What the fuzzer starts from: small good files of every kind, and words worth putting in."""

from __future__ import annotations

import json
import sqlite3
import tempfile
from pathlib import Path

__all__ = [
    "CSV_WORDS",
    "JSON_WORDS",
    "NUMBERS",
    "SVG_WORDS",
    "TOML_WORDS",
    "batches",
    "beside",
    "box_texts",
    "boxes",
    "card_tables",
    "drawings",
    "plans",
    "scrap_tables",
]

NUMBERS = (
    "0", "-0", "1", "-1", "0.5", "1e-9", "1e-300", "1e9", "1e300", "1e999", "-1e999", "NaN", "nan", "inf", "-inf",
    "Infinity", "2147483648", "9223372036854775808", "1e400", "0x10", "1_000", "1,5", "½", "9" * 40, "0.1e", ".", "-.5.5",
)  # fmt: skip

SVG_WORDS = (
    '<rect width="9" height="9"/>', '<circle r="5"/>', '<ellipse rx="3" ry="2"/>', '<line x2="9"/>', "<g>", "</g>", "<defs>",
    "</defs>", '<use href="#a"/>', '<use xlink:href="#b"/>', '<use href="x.svg#a"/>', ' id="a"', ' id="b"', ' class="rim"',
    '<symbol id="b" viewBox="0 0 1 1">', "</symbol>", '<svg x="1" width="5" height="5" viewBox="0 0 0 1">', "</svg>",
    '<polygon points="0 0 9 0 9 9"/>', '<path d="M0 0h9v9z"/>', ' transform="rotate(45)"', ' transform="matrix(1 0 0 1 0 0)"',
    ' transform="skewX(89.9999)"', ' transform="scale(1e-9)"', ' transform="translate(1e9)"', ' transform="scale(-1 0)"',
    "M0 0", "L10 10", "A5 5 0 1 0 9 9", "A0 5 0 0 0 9 9", "A1e-9 1e9 30 1 1 1 1", "c1 2 3 4 5 6", "Q5 5 9 0", "t4 4", "s1 1 2 2",
    "z", "M5 5", "h-3", "v1e5", "<style>.rim{fill:none}</style>", "<style>@import 'a.css';</style>", ' style="display:none"',
    ' style="fill:none;stroke:none"', ' visibility="hidden"', ' opacity="0"', ' stroke-width="0"', ' clip-path="url(#c)"',
    '<clipPath id="c">', "</clipPath>", ' mask="url(#c)"', ' preserveAspectRatio="xMidYMid slice"', ' viewBox="0 0 1e9 1e-9"',
    ' width="10mm"', ' label="rim"', ' systemLanguage="de"', ' style="clip-path:circle(9px at left)"', ' transform-origin="center"',
    ' style="clip-path:inset(1px 2% round 3px / 4px)"', ' style="clip-path:polygon(evenodd, 0 0, 9px 9px, 100% 0)"',
    ' clip-path="path(\'M0 0h9v9z\')"', ' style="transform-box:fill-box;transform-origin:right;rotate:9deg;scale:1e9"',
    ' style="transform:translate(50%,1e300px) skew(89.99deg) matrix3d(1)"', ' clipPathUnits="objectBoundingBox"', ' fill="#fff"',
    ' overflow="visible"', ' clip-rule="evenodd"', ' filter="url(#c)"', '<title>rim</title>', ' height="1e-9in"', ' width="50%"', ' r="1e8"', ' rx="-1"', "<switch>", "</switch>", "<!--", "-->", "<![CDATA[",
    "]]>", '<!DOCTYPE svg [<!ENTITY x "y">]>', "&x;", "&#0;", "&#xD800;", "&amp;", '<?xml version="1.0" encoding="utf-16"?>',
    '<?xml-stylesheet href="a"?>', "\x00", "\x1b[31m", "\u202e", "é", "\ufeff", *NUMBERS,
)  # fmt: skip

TOML_WORDS = (
    "[machine]", "[hand]", "[papers.red]", "[[scraps]]", "[dies.disc]", "[[cards]]", "[class]", "[wishes]", "[evening]", "[[",
    "]]", "plate = [1, 2]", "clear = 1e9", 'papers = "any"', "[papers.'\\u001b[31m']", "size = [1, 1]", 'outline = "leaf.svg"',
    'outline = "../leaf.svg"', 'outline = "/etc/passwd"', 'outline = "."', 'outline = "\\u0000.svg"', 'dies_folder = "."',
    'scraps_csv = "scraps.csv"', 'cards_csv = ["cards.csv"]', "circle = 20", "rectangle = [3, 4]", "oval = [3, 4]", "corner = 1e3",
    "turns = [0, 0.5, nan]", 'turns = "any"', "count = 0", "copies = 1000", "trips = 21", "mirror = true", 'pieces = "separate"',
    "rim = 0", "rim = -1", "rim = 50", 'spares = "10 %"', 'spares = "1e9 %"', "kits = 1000000", 'order = ["paper", "passes"]',
    'start = "25:99"', "break_every = -1", "edge = 1e5", "web = 0", '"2 3/8 in"', "'1/0 in'", '"1 2/3 \\""', '"٣ mm"', '"-0 mm"',
    "1979-05-27T07:32:00Z", "{", "}", "{}", "[]", "=", '"""', "'''", "\\u0000", "\\ud800", "\r", "\x1b", "\ufeff", "# ", "a.b.c = 1",
    "__proto__ = 1", *NUMBERS,
)  # fmt: skip

CSV_WORDS = (
    "paper", "width", "length", "count", "id", "outline", "card", "dies", "papers", "cards per kit", "red", "disc", "disc|tag",
    "leaf.svg", "../leaf.svg", "/etc/passwd", "2 3/8 in", '"2 3/8"""', "10 x 20", "1,5", "1;5", "sep=;", '"', '""', "\r", "\r\n",
    "\t", ";", ",", "|", "=1+1", "@x", "\x00", "\x1b[31m", "\ufeff", "é", "\u2028", *NUMBERS,
)  # fmt: skip

JSON_WORDS = (
    "red-1", "A", "disc", "any", "up", "stripe", "square", "scissors", "straight", "none", "Polygon", "MultiPolygon", "", " ",
    "\x00", "\x1b[31m", "\ud800", "1/0", "1/3", "9" * 50 + "/7", "stacking", "turning", "area", "#fff", "25:99", "x" * 2000,
)  # fmt: skip

_LEAF = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="30mm" height="20mm" viewBox="0 0 30 20">'
    '<path d="M2 10C8 0 20 0 28 10C20 20 8 20 2 10Z"/></svg>'
)


def beside() -> dict[str, str]:
    """Files that lie beside a batch: a drawing and two tables."""
    return {
        "leaf.svg": _LEAF,
        "stock.csv": "paper,width,length,count\nred,60,80,2\nwhite,60,80,1\n",
        "asked.csv": "card,dies,papers,count\nfirst,disc|tag,red|white,2\n",
    }


def drawings() -> list[bytes]:
    """Small drawings that use what SVG has; quick to read, so that many can be."""
    head = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
    bodies = [
        f'{head} viewBox="0 0 30 20" width="30mm" height="20mm"><rect x="1" y="1" width="20" height="10" rx="1"/></svg>',
        f'{head} width="4cm" height="4cm"><defs><g id="a"><circle r="2" cx="20" cy="20"/></g></defs>'
        '<use href="#a" transform="rotate(20 20 20) scale(1.5)"/></svg>',
        f'{head} viewBox="0 0 50 50"><style>.rim{{fill:none;stroke:red}}</style>'
        '<path class="rim" d="M5 5H45V45H5z"/><g transform="matrix(1 .2 0 1 0 0)">'
        '<path d="M10 10A2 2 30 1 0 12 12Q15 14 12 14T10 10z"/></g></svg>',
        f'{head}><symbol id="b" viewBox="0 0 10 10"><polygon points="1,1 9,1 5,9"/></symbol>'
        '<use xlink:href="#b" width="60" height="40"/><polyline points="1 1 2 2 3 1" fill="none" stroke="red"/></svg>',
        f'{head} width="60" height="60"><clipPath id="c"><rect width="60" height="60"/></clipPath>'
        '<g clip-path="url(#c)"><ellipse cx="30" cy="30" rx="4" ry="2"/></g><text>x</text></svg>',
        f'{head} viewBox="0 0 40 40" width="4cm"><path d="M1 1L30 2 25 20 12 9Z M40 40h-5v-5z"/></svg>',
        f'{head} width="40mm" height="40mm"><g id="rim"><rect width="40" height="40"/></g>'
        '<g transform="translate(5 5)"><polygon points="0 0 20 0 20 20 0 20"/><rect x="5" y="5" width="3" height="3"/></g></svg>',
        f'{head} width="40" height="40"><path d="M5 5l10 0c2 0 2 3 0 3s-3 4-10 0z" style="fill:none;stroke:#000"/></svg>',
        f'{head} width="60mm" height="60mm" viewBox="0 0 60 60"><rect width="60" height="60" fill="#fff"/><switch>'
        '<g systemLanguage="en" label="rim" style="translate:1px"><rect x="4" y="4" width="40" height="40"/></g></switch>'
        '<g style="transform-box:fill-box;transform-origin:left 2px;transform:rotate(5deg) translate(2%,1px);clip-path:'
        'ellipse(60% farthest-side at center)"><rect x="10" y="10" width="20" height="20"/></g></svg>',
        f'{head} width="60mm" height="60mm"><clipPath id="c" clipPathUnits="objectBoundingBox"><path clip-rule="evenodd" '
        'd="M-1-1H2V2H-1zM-.5-.5h.1v.1h-.1z"/></clipPath><svg x="5" y="5" width="90" height="90"><use href="#a" x="9" '
        'clip-path="url(#c)"/></svg><defs><path id="a" d="M5 5h30v20q-9 9-30 0z" style="clip-path:polygon(evenodd, -1px -1px, '
        '150% 0, 150% 200%, -1px 200%)"/></defs></svg>',
    ]
    return [body.encode() for body in bodies]


def batches() -> list[bytes]:
    """The tests' small batch and relatives that use every table."""
    from tests.shared.batch_files import SMALL

    drawn = SMALL.replace("[dies.disc]\ncircle = 20", '[dies.disc]\noutline = "leaf.svg"\nrim = 1.5')
    tables = 'scraps_csv = "stock.csv"\ncards_csv = "asked.csv"\n' + SMALL
    folder = 'dies_folder = "."\nrim = 1.2\n' + SMALL
    more = SMALL + '\n[wishes]\norder = ["paper", "passes"]\n[evening]\nstart = "18:30"\nbreak_every = 20\n'
    return [text.encode() for text in (SMALL, drawn, tables, folder, more)]


def scrap_tables() -> list[bytes]:
    """Tables of scraps with each delimiter."""
    return [
        b"paper,width,length,count,id,outline\nred,60,80,2,a,\nwhite,,,1,b,leaf.svg\n",
        b"sep=;\r\nPaper;Width;Height\r\nred;60,5;80\r\nblue;2 3/8 in;100\r\n",
        b'\xef\xbb\xbfcolour\twidth\tlength\nred\t60\t"80"\n',
        b'paper,width,length\n"red ""x""",1/2 in,"2\n"\n',
    ]


def card_tables() -> list[bytes]:
    """Tables of cards."""
    return [
        b"card,dies,papers,count\nfirst,disc|tag,red|white,2\nfirst,disc,red,1\nsecond,tag,white,3\n",
        b"Card;Dies;Papers;Count;Cards per kit\nfirst;disc;red;2;3\n",
        b"name\tdie\tpaper\tnumber\nfirst\tdisc\tred\t2\n",
    ]


def plans() -> list[bytes]:
    """The checker's small plans, one with a proof of every kind, and the hand-written one with every key."""
    from nestcut.plans import plan_to_json
    from tests.shared.checked_plans import PLANS
    from tests.shared.plan_sample import sample

    values = [plan_to_json(make()) for make in PLANS.values()]
    with_proof = json.loads(json.dumps(values[0]))
    names = [die["name"] for die in with_proof["dies"]]
    with_proof["proof"] = {
        "prices": dict.fromkeys(names, "1/2"),
        "lines": ["1/2" for _ in with_proof["demand"]],
        "papers": {with_proof["papers"][0]["name"]: "1/9999"},
        "disproofs": [
            {"dies": {name: 3}, "by": by} for name, by in zip(names, ("area", "turning"), strict=False)
        ],
    }
    return [json.dumps(value).encode() for value in (*values, with_proof, sample())]


def _stocked(folder: Path) -> Path:
    """A small box with a bit of everything, in small pages: the fuzzer takes no long files."""
    from shapely.geometry import Polygon, box

    from nestcut import Box
    from nestcut.batch.model import Die
    from nestcut.plans import plan_from_json
    from tests.shared.plan_sample import sample

    path = folder / "box.db"
    with Box(path) as made:
        made.add("red", (105, 148), count=2)
        made.add("green", Polygon([(0, 0), (50, 0), (20.5, 40.25)]), tag="lid")
        made.add_dies([Die("leaf", box(0, 0, 20, 20), box(-2, -2, 22, 22), turns=(0.0, 90.0))])
        made.after(plan_from_json(sample()))
        made.take(["red-2"])
    con = sqlite3.connect(path)
    con.execute("pragma page_size = 512")
    con.execute("vacuum")
    con.close()
    return path


def boxes() -> list[bytes]:
    """A box file."""
    with tempfile.TemporaryDirectory() as folder:
        return [_stocked(Path(folder)).read_bytes()]


def box_texts() -> list[bytes]:
    """The export of a box."""
    from nestcut import Box

    with tempfile.TemporaryDirectory() as folder, Box(_stocked(Path(folder))) as made:
        return [made.export_text().encode("utf-8")]
