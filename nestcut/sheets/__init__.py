"""What the person holds: true-size lay-ups, the run sheet, labels and tables."""

from __future__ import annotations

from nestcut.sheets.drawings.contact import contact_sheet, is_contact_sheet
from nestcut.sheets.drawings.scrap_sheets import fill_sheet
from nestcut.sheets.page.box_tags import tag_sheets
from nestcut.sheets.page.writing import render_sheets, write_sheets

__all__ = ["contact_sheet", "fill_sheet", "is_contact_sheet", "render_sheets", "tag_sheets", "write_sheets"]
