"""Dies in lanes that reach an end of the plate, strips of paper pulled on under them."""
