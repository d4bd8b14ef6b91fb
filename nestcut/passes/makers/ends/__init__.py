"""Each end of the plate pulls its own scraps on until they are full."""
