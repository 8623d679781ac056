"""`python -m ampledger`."""

import sys

from ampledger.cli import main

if __name__ == "__main__":
    sys.exit(main())
