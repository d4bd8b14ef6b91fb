"""Faults from outside: kills, full disks, no network, very large jobs. See DEVELOPERS.md, 'What is promised'."""
