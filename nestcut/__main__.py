"""``python -m nestcut``."""

from nestcut.cli import main

if __name__ == "__main__":
    main()
