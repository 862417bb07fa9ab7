"""Print the shell block that stands below ``<!-- command: NAME -->`` in a Markdown file."""

import re
import sys
from pathlib import Path


def main(page: str, name: str) -> None:
    """Print the block."""
    found = re.search(
        rf"<!-- command: {re.escape(name)} -->\s*```sh\n(.*?)```", Path(page).read_text("utf-8"), re.DOTALL
    )
    if found is None:
        sys.exit(f"{page}: no shell block below '<!-- command: {name} -->'")
    sys.stdout.write(found[1])


if __name__ == "__main__":
    main(*sys.argv[1:])
