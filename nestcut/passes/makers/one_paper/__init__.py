"""One paper a pass, as people do it by hand: always possible, and what a plan falls back on."""
