"""`python -m validation`."""

import sys

from validation.cli import main

if __name__ == "__main__":
    sys.exit(main())
