"""A box that lasts: the papers, scraps and dies that somebody owns, in one file that survives whatever happens to it.

with Box() as box:                     # BoxError where the file is damaged or of a newer nestcut
    box.add("red", (148, 105), count=3)
    box.after(read_plan("evening-plan/plan.json"))
    box.undo()
read_batch("evening.toml")             # a batch that says box = true takes its scraps and dies from there

``schema`` has the tables and their versions, ``file`` opens the file and writes whole actions, ``rows`` turns rows into values,
``undo`` puts rows back, ``evening`` takes in what a plan left, ``text`` writes everything as JSON, ``asking`` joins batch and box.
"""

from nestcut.box.asking import changed_meanwhile, read_batch, replaces_unsettled
from nestcut.box.box import Box
from nestcut.box.evening import box_of_plan
from nestcut.box.place import usual_place
from nestcut.box.values import Action, AfterEvening, PastEvening, StockScrap, Tagged

__all__ = [
    "Action",
    "AfterEvening",
    "Box",
    "PastEvening",
    "StockScrap",
    "Tagged",
    "box_of_plan",
    "changed_meanwhile",
    "read_batch",
    "replaces_unsettled",
    "usual_place",
]
