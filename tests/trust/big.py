"""A very large class through the real command line: 1,000 kits, 40 dies, 12 papers, 400 scraps.

    python -m tests.trust.big --seconds 120                    plan it, tell time, memory and sizes
    python -m tests.trust.big --kits 50 --dies 10 --seconds 30 a smaller one
    python -m tests.trust.big --only-write FOLDER               just the batch file

Told are: seconds against the limit, peak memory, passes and bound, what is met, the checker's verdict, the run sheet's size
and, with --browser PATH, how much longer than an empty page it takes a headless browser to open and draw it.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

from tests.shared.places import ROOT
from tests.trust.jobs import run_python

__all__ = ["write_big"]


def write_big(
    folder: Path, *, kits: int = 1000, dies: int = 40, papers: int = 12, scraps: int = 400, seed: int = 0
) -> Path:
    """Write a batch file and its drawings; returns the batch file's path.

    Our own shapes first, then discs, tags and ovals; cards of five to eight pieces, a third of them free in die or paper;
    sheets of 210 × 297 to 420 × 594 mm.
    """
    rng = random.Random(seed)
    shapes = folder / "shapes"
    shapes.mkdir(parents=True, exist_ok=True)
    names: list[str] = []
    lines = [f'title = "{kits} kits"', "[machine]", "plate = [230, 330]", "clear = 2"]
    for drawing in sorted((ROOT / "shapes").glob("*.svg"))[:dies]:
        shutil.copy(drawing, shapes)
        names.append(drawing.stem)
        lines += [
            f"[dies.{drawing.stem}]",
            f'outline = "shapes/{drawing.name}"',
            "rim = 1.6",
            f"copies = {rng.choice((1, 1, 2))}",
        ]
    while len(names) < dies:
        name = f"plain-{len(names)}"
        names.append(name)
        width, length = rng.randrange(8, 45), rng.randrange(8, 45)
        what = rng.choice(
            (f"circle = {width}", f"oval = [{width}, {length}]", f"rectangle = [{width}, {length}]")
        )
        lines += [f"[dies.{name}]", what, "rim = 1.5", f"copies = {rng.choice((1, 1, 2, 3))}"]
    colours = [f"paper-{k}" for k in range(papers)]
    for colour in colours:
        lines += [f"[papers.{colour}]", f'direction = "{rng.choice(("none", "none", "none", "stripe"))}"']
    for k in range(scraps):
        size = rng.choice(
            (
                "[210, 297]",
                "[297, 420]",
                "[420, 594]",
                f"[{rng.randrange(80, 300)}, {rng.randrange(80, 300)}]",
            )
        )
        lines += ["[[scraps]]", f'paper = "{colours[k % papers]}"', f"size = {size}"]
    left = list(names)
    card = 0
    while left:
        card += 1
        number = rng.randrange(5, 9)
        mine, left = left[:number], left[number:]
        pieces = []
        for name in mine:
            paper = rng.choice(colours)
            if rng.random() < 0.33:
                others = rng.sample(names, 2)
                free = ", ".join(f'"{one}"' for one in dict.fromkeys([name, *others]))
                both = ", ".join(f'"{one}"' for one in dict.fromkeys([paper, rng.choice(colours)]))
                pieces.append(f"{{ any_of = [{free}], papers = [{both}], count = 1 }}")
            else:
                pieces.append(f'{{ die = "{name}", paper = "{paper}", count = {rng.choice((1, 1, 2))} }}')
        lines += ["[[cards]]", f'name = "card {card}"', "count = 1", "pieces = [", ",\n".join(pieces), "]"]
    lines += ["[class]", f"kits = {kits}", 'spares = "5 %"']
    path = folder / "big.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def measure(folder: Path, batch: Path, seconds: float, browser: str | None) -> None:
    """Plan, check, and tell."""
    begin = time.monotonic()
    arguments = ["plan", str(batch), "--out", str(folder / "out"), "--seconds", str(seconds), "--json"]
    done = run_python("-m", "nestcut", *arguments, seconds=seconds + 3600)
    took = time.monotonic() - begin
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(
        f"exit {done.returncode}, {took:.1f} s of {seconds:g} asked ({took / seconds:.0%}), CPU {used.ru_utime + used.ru_stime:.0f} s, "
        f"peak {used.ru_maxrss / 1024:.0f} MiB"
    )
    if not done.stdout.startswith("{"):
        print(done.stderr[-2000:])
        return
    told = json.loads(done.stdout)
    print(
        f"{told['passes']} passes, bound {told['bound']}, {told['met']} of {told['wanted']} pieces, {told['changes']} lay-ups"
    )
    sizes = {p.name: p.stat().st_size for p in (folder / "out").rglob("*") if p.is_file()}
    for name in ("plan.json", "run-sheet.html"):
        print(f"{name}: {sizes[name] / 1e6:.2f} MB")
    print(f"{len(sizes)} files, {sum(sizes.values()) / 1e6:.1f} MB")
    begin = time.monotonic()
    checked = run_python("-m", "nestcut", "check", str(folder / "out"), seconds=3600)
    print(
        f"check: exit {checked.returncode} in {time.monotonic() - begin:.1f} s; {checked.stdout.strip()[-200:]}"
    )
    if browser:
        empty = folder / "empty.html"
        empty.write_text("<!doctype html><title>x</title>", encoding="utf-8")
        times = [opening(browser, page, folder) for page in (empty, folder / "out" / "run-sheet.html")]
        print(f"browser: {times[1]:.1f} s, an empty page {times[0]:.1f} s")


def opening(browser: str, page: Path, folder: Path) -> float:
    """Seconds until a headless browser has drawn a page's top."""
    begin = time.monotonic()
    subprocess.run(
        [browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync", f"--user-data-dir={folder / 'browser'}",
         f"--screenshot={folder / 'shot.png'}", page.as_uri()],
        capture_output=True,
        timeout=300,
        check=False,
    )  # fmt: skip
    return time.monotonic() - begin


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    for name, default in (("kits", 1000), ("dies", 40), ("papers", 12), ("scraps", 400), ("seed", 0)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--browser", default=None)
    parser.add_argument("--only-write", type=Path, default=None)
    options = parser.parse_args()
    sizes = {name: getattr(options, name) for name in ("kits", "dies", "papers", "scraps", "seed")}
    if options.only_write:
        print(write_big(options.only_write, **sizes))
        return
    with tempfile.TemporaryDirectory(dir=os.environ.get("TMPDIR")) as folder:
        measure(Path(folder), write_big(Path(folder), **sizes), options.seconds, options.browser)


if __name__ == "__main__":
    main()
