# By itself: Python looks for a file of this name.
"""`python -m curewatch`, the same as the command `curewatch`."""

import sys

from curewatch.cli import main

if __name__ == "__main__":
    sys.exit(main())
