"""``python -m frametime``."""

from frametime.cli import main

if __name__ == "__main__":
    main()
