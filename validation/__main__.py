"""`python -m validation`."""

import sys

from validation.isolation import trusted_path

# Python puts the current folder first among its modules here; a study may be that folder.
sys.path[:] = trusted_path()

from validation.cli import main  # noqa: E402

if __name__ == "__main__":
    sys.exit(main())
