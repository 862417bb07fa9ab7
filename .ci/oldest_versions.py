"""Print the oldest version of each package that ``pyproject.toml`` asks for, one a line, as constraints for pip."""

import sys
import tomllib
from pathlib import Path


def main() -> None:
    """Print them."""
    project = tomllib.loads(Path("pyproject.toml").read_text("utf-8"))["project"]
    extras = project["optional-dependencies"]
    for needed in (*project["dependencies"], *extras["video"], *extras["svg"], *extras["cluster"]):
        name, oldest = needed.split(">=")
        sys.stdout.write(f"{name}=={oldest}\n")


if __name__ == "__main__":
    main()
