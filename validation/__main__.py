"""The command, `validation` or `python -m validation`: before anything else is imported, only from trusted places."""

import sys

from validation.isolation import trusted_path

# PYTHONPATH, or with -m the current folder, comes first among the modules; a study may be there.
sys.path[:] = trusted_path()

from validation.cli import main  # noqa: E402

if __name__ == "__main__":
    sys.exit(main())
