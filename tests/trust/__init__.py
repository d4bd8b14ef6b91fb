"""Faults from outside: kills, full disks, no network, very large jobs. See docs/promises.md."""
