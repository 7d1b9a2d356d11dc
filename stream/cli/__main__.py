"""``python -m stream.cli``."""

import sys

from stream.cli.command import main

if __name__ == "__main__":
    sys.exit(main())
