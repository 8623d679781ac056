"""`python3 host`: make the environment on first use, then run ampledger."""

import sys

import bootstrap

if __name__ == "__main__":
    bootstrap.ensure()
    sys.exit(bootstrap.run(["-m", "ampledger", *sys.argv[1:]]))
