"""Where the command ``nestcut`` begins, also as ``python -m nestcut``: Ctrl-C is heard before anything else is loaded."""

from __future__ import annotations

from nestcut._stop import hear_ctrl_c

__all__ = ["main"]


def main() -> None:
    """Entry point of the ``nestcut`` command."""
    hear_ctrl_c()
    from nestcut.cli import main as command

    command()


if __name__ == "__main__":
    main()
