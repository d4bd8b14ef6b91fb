"""nestcut: die-cutting plate nesting optimizer."""

__version__ = "0.1.0"
