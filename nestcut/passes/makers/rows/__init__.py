"""Each colour in a part of the plate of its own, at one of its ends: one scrap lies there and is pulled on under the dies of its colour."""
