"""What a picture shows, and how far it can be trusted: for now, its colours.

``colour`` takes sRGB to linear light and CIELAB, and tells how different two colours look.
"""

from nestcut.pictures.colour import difference, lab_from_linear, linear_from_srgb, srgb_from_linear

__all__ = ["difference", "lab_from_linear", "linear_from_srgb", "srgb_from_linear"]
