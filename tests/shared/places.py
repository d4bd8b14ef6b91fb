"""Where the project's own files are."""

from pathlib import Path

__all__ = ["EXAMPLES", "ROOT", "SHAPES"]

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = ROOT / "examples"
SHAPES = ROOT / "shapes"
