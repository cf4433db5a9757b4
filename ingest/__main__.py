"""``python -m ingest`` is the ``nightloader`` command."""

import sys

from ingest.faces.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
