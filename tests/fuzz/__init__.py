"""Fuzzing of everything that nestcut reads: see ``python -m tests.fuzz --help`` and docs/promises.md."""
